"""Which stored results are judged: the one filter that standing, due, risk, repeats, evidence and plan rest on.

A dial that rides in a bushing sinks with it: its sweep reads almost the same however the bushing lies or wears. Such
sweeps stay readable in the visit they were made in, and count for nothing else. A bushing has its own measurements
(linelog.alignment.bushings). A result whose verdict is withheld (its readings were to be read again, and nobody
confirmed them) stays in its visit likewise, and so does a running value as left after which something was moved: it
speaks of a machine that is no more.
"""

from __future__ import annotations

from django.db.models import BooleanField, Exists, ExpressionWrapper, OuterRef, Q, QuerySet

from linelog.alignment.models import MoveMade, Result, Stage
from linelog.alignment.models.sweep import Method
from linelog.alignment.since_move import moves_of
from linelog.plant.models import Station


def not_judged(of: str = "") -> Q:
    """Return the condition of a result that is not judged; `of` is the path to the results, such as "results__"."""
    rides = Q(**{f"{of}station__kind__in": Station.BUSHINGS, f"{of}method": Method.STATIC})
    return rides | Q(**{f"{of}withheld": True}) | overtaken(of)


def overtaken(of: str = "") -> Q:
    """Return the condition of a running value as left that was measured before a move of its visit.

    A move of its station, or of a bushing, which moves the line itself.
    """
    moves = MoveMade.objects.filter(visit=OuterRef(f"{of}visit"), at__gt=OuterRef(f"{of}at"))
    moves = moves.filter(moves_of(OuterRef(f"{of}station")))
    return Q(Exists(moves), **{f"{of}method": Method.RUNNING, f"{of}stage": Stage.AS_LEFT})


def judged(results: QuerySet[Result]) -> QuerySet[Result]:
    """Return the results that are judged."""
    return results.exclude(not_judged())


def with_overtaken(results: QuerySet[Result]) -> QuerySet[Result]:
    """Return results that say of themselves, as `is_overtaken`, whether a move overtook them."""
    return results.annotate(is_overtaken=ExpressionWrapper(overtaken(), output_field=BooleanField()))


def is_judged(result: Result) -> bool:
    """Whether this result, its station at hand, belongs among those of its visit that are judged, or will be."""
    return result.method != Method.STATIC or not result.station.is_bushing
