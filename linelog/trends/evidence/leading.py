"""Which stations' offsets a rate follows best: all of them by the worst one, or a group by the worse of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linelog.plant.models import Plant
from linelog.trends.evidence.scope import GROUPS, USUAL_SPAN, WORST, Scope
from linelog.trends.models import Fit

KIND = "misalignment"
ALGORITHM = 2  # of the stored sums; what an older one found, with the error of measurement in it, is not used


def leading(plant: Plant, measures: tuple[str, ...]) -> dict[str, tuple[str, Mapping[str, Any] | None]]:
    """Return for each rate the stations that tell it most surely, and their effect; the worst of all where none does.

    The rise that lies most standard errors from none: among figures that hold equally well, the clearest one.
    """
    scopes = {Scope(measure, station, USUAL_SPAN).key for measure in measures for station in (WORST, *GROUPS)}
    rows = Fit.objects.filter(plant=plant, kind=KIND, scope__in=scopes, result__algorithm=ALGORITHM)
    effects = dict(rows.values_list("scope", "result__effect"))  # the rest of a result is long
    found = {}
    for measure in measures:
        mine = {station: effects.get(Scope(measure, station, USUAL_SPAN).key) for station in (WORST, *GROUPS)}
        told = {station: effect for station, effect in mine.items() if effect}
        best = max(told, key=lambda station: told[station].get("z", 0.0), default=WORST)
        found[measure] = (best, told.get(best))
    return found
