"""Which stored results are judged: the one filter that standing, due, risk, repeats, evidence and plan rest on.

A dial that rides in a bushing sinks with it: its sweep reads almost the same however the bushing lies or wears. Such
sweeps stay readable in the visit they were made in, and count for nothing else. A bushing has its own measurements
(linelog.alignment.bushings). A result whose verdict is withheld (its readings were to be read again, and nobody
confirmed them) stays in its visit likewise.
"""

from __future__ import annotations

from django.db.models import Q, QuerySet

from linelog.alignment.models import Result
from linelog.alignment.models.sweep import Method
from linelog.plant.models import Station


def not_judged(of: str = "") -> Q:
    """Return the condition of a result that is not judged; `of` is the path to the results, such as "results__"."""
    rides = Q(**{f"{of}station__kind__in": Station.BUSHINGS, f"{of}method": Method.STATIC})
    return rides | Q(**{f"{of}withheld": True})


def judged(results: QuerySet[Result]) -> QuerySet[Result]:
    """Return the results that are judged."""
    return results.exclude(not_judged())


def is_judged(result: Result) -> bool:
    """Whether this result, its station at hand, belongs among those of its visit that are judged, or will be."""
    return result.method != Method.STATIC or not result.station.is_bushing
