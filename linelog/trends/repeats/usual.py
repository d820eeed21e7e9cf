"""How the stations of a plant are usually found: what two visits in a row are held against."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from linelog.calc.plain_repeat import WELL_INSIDE, Plain, Seen, Usual, plain_pairs
from linelog.calc.readings import clock_deg
from linelog.plant.models import Plant
from linelog.trends import refit
from linelog.trends.models import Fit
from linelog.trends.repeats.history import Found, History, Series

KIND = "as found, usual"
Place = tuple[str, int]  # method, station


@dataclass(frozen=True, slots=True)
class UsualOf:
    """By method and station: how often it was found, and the least shares of its limit beyond 1 among them."""

    places: Mapping[Place, tuple[int, tuple[float, ...]]]

    def besides(self, method: str, station_id: int) -> Usual:
        """Return what the other stations measured in the same way say."""
        others = [told for place, told in self.places.items() if place[0] == method and place[1] != station_id]
        return Usual(sum(found for found, _ in others), tuple(one for _, beyond in others for one in beyond))


NOTHING = UsualOf({})


def usual_of(read: Iterable[History]) -> UsualOf:
    """Count the visits of a plant's machines."""
    places: dict[Place, tuple[int, tuple[float, ...]]] = {}
    for history in read:
        for series in history.series:
            shares = [least(found) for found in series.found]
            beyond = tuple(round(share, 4) for share in shares if share > 1.0)
            places[series.method, series.station_id] = (len(shares), beyond)
    return UsualOf(places)


def keep(plant: Plant, usual: UsualOf, now: dt.datetime) -> None:
    """Keep it: a page of one machine does not read the log of all."""
    rows = [[method, station, found, list(beyond)] for (method, station), (found, beyond) in usual.places.items()]
    rests_on = {"visits": sum(found for found, _ in usual.places.values())}
    refit.keep(plant, KIND, "", now, rests_on=rests_on, result={"places": rows}, sentence="")


def kept(plant: Plant) -> UsualOf:
    """Return it as the last refit kept it; one query."""
    fit = Fit.objects.filter(plant=plant, kind=KIND, scope="").first()
    if fit is None or not fit.result:
        return NOTHING
    rows: list[tuple[str, int, int, list[float]]] = fit.result["places"]
    return UsualOf({(method, station): (found, tuple(beyond)) for method, station, found, beyond in rows})


def least(found: Found) -> float:
    """Return how far off it was at least: the offset less its uncertainty, as a share of its limit."""
    return (math.hypot(*found.off) - found.value.expanded_um) / found.value.limit_um


def plainly(series: Series, usual: UsualOf, last: int) -> list[Plain | None]:
    """Return for each visit what it and the one before it say of a station."""
    return plain_pairs(
        [_seen(found) for found in series.found], usual.besides(series.method, series.station_id), last=last
    )


def _seen(found: Found) -> Seen:
    left = found.left
    inside = left is not None and math.hypot(left.x_um, left.y_um) <= WELL_INSIDE * left.limit_um
    points = math.hypot(*found.off) > 0.0
    return Seen(least(found) if found.is_out else 0.0, clock_deg(*found.off) if points else None, inside)
