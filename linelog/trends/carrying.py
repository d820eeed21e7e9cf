"""Measured places of a machine through time: what each visit found and left there, as the summaries take it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linelog.alignment.standing import AS_FOUND, Value
from linelog.calc.arrays import FloatArray
from linelog.calc.carried import Ends, carried
from linelog.plant.models import Station

Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Place:
    """One station and seat: which visits measured it (by number, in the order of time), what they found and left."""

    station: int
    seat: str
    kind: str
    visits: Whole
    found: tuple[Value, ...]
    left: tuple[Value, ...]


def by_reference(value: Value, station: Station) -> Value:
    """Return a value held against the station's own limits as they are set up: one reference for all time.

    The limit of the day may have been narrowed by a rule, which is no change of the machine.
    """
    tilt = _tilt(value)
    limit = station.tilt_limit_mm_per_m if tilt is not None else None
    held = replace(value, limit_um=station.limit_um, tilt_limit_mm_per_m=limit or value.tilt_limit_mm_per_m)
    shares = [value.radial_um / station.limit_um, math.hypot(*(_tilt(held) or (0.0, 0.0)))]
    return replace(held, severity=max(shares))


def places_of(values: Iterable[Value], order: Mapping[int, int], kinds: Mapping[int, str]) -> tuple[Place, ...]:
    """Sort values of one method into places; a visit with one value alone both found and left it."""
    seen: dict[tuple[int, str], dict[int, list[Value]]] = {}
    for value in values:
        seen.setdefault((value.station_id, value.seat), {}).setdefault(order[value.visit_id], []).append(value)
    places = []
    for (station, seat), by_visit in sorted(seen.items()):
        ends = [sorted(by_visit[number], key=lambda value: value.stage != AS_FOUND) for number in sorted(by_visit)]
        found, left = tuple(pair[0] for pair in ends), tuple(pair[-1] for pair in ends)
        places.append(Place(station, seat, kinds[station], np.array(sorted(by_visit)), found, left))
    return tuple(places)


def severities(
    places: Sequence[Place], at_visits: FloatArray, halfway: FloatArray, before: Whole
) -> tuple[list[float | None], list[dict[str, float]]]:
    """Return for each piece the worst severity, None where no place is known, and that of each kind of station.

    at_visits  (v,): cans made up to each visit; halfway (m,): up to the middle of each piece
    before     (m,): how many visits came before each piece
    """
    by_station: list[dict[str, float]] = [{} for _ in halfway]
    for place in places:
        its_own = np.searchsorted(place.visits, before)
        made = carried(at_visits[place.visits], _ends(_reached(place)), _ends(place.left), halfway, its_own)
        for number in np.flatnonzero(made.known).tolist():
            known = by_station[number]
            known[place.kind] = max(known.get(place.kind, 0.0), round(float(made.severity[number]), 4))
    return [max(known.values(), default=None) for known in by_station], by_station


#: One look: station/seat, its kind, number of the place's visit before, offsets left and found as shares of the
#: limit, million cans between, share of them up to half way, whether that visit moved it, whether it was the first.
Look = list[Any]


def looks_of(places: Sequence[Place], at_visits: FloatArray, halfway: FloatArray, before: Whole) -> list[list[Look]]:
    """Return for each piece what the visits on its either side measured at each place; as `severities`.

    What two different carriers measured is no way between: it is left out.
    """
    found: list[list[Look]] = [[] for _ in halfway]
    for place in places:
        made, ends = at_visits[place.visits], _spans(place)
        for number, behind in enumerate(np.searchsorted(place.visits, before).tolist()):
            if behind and behind - 1 in ends:
                million = (made[behind] - made[behind - 1]) / 1e6
                share = (halfway[number] - made[behind - 1]) / 1e6 / million if million > 0.0 else 0.0
                name, numbers, moved = f"{place.station}/{place.seat}", ends[behind - 1], _moved(place, behind - 1)
                way = (*numbers, round(float(million), 5), round(float(min(max(share, 0.0), 1.0)), 5))
                found[number].append([name, place.kind, behind - 1, *way, moved, behind == 1])
    return found


def _spans(place: Place) -> dict[int, tuple[float, float, float, float]]:
    """Return the offsets left and found again, as shares of the limit, by the number of the visit before."""
    found = {}
    for number, (left, reached) in enumerate(zip(place.left, place.found[1:], strict=False)):
        if left.series == reached.series:
            one, two = (round(value / left.limit_um, 5) for value in (left.x_um, left.y_um))
            three, four = (round(value / reached.limit_um, 5) for value in (reached.x_um, reached.y_um))
            found[number] = (one, two, three, four)
    return found


def _moved(place: Place, number: int) -> bool:
    """Whether a visit measured it anew after it had found it."""
    found, left = place.found[number], place.left[number]
    return not (left is found or left.carried or (left.x_um, left.y_um) == (found.x_um, found.y_um))


def _reached(place: Place) -> list[Value]:
    """Return what each visit found; as it was left before, where another carrier found it: that is no drift."""
    before = [None, *place.left[:-1]]
    return [
        found if left is None or left.series == found.series else left
        for found, left in zip(place.found, before, strict=True)
    ]


def _ends(values: Sequence[Value]) -> Ends:
    limits = np.array([value.limit_um for value in values])[:, None]
    tilts = [_tilt(value) for value in values]
    return Ends(
        offset=np.array([(value.x_um, value.y_um) for value in values]) / limits,
        tilt=np.array([tilt or (0.0, 0.0) for tilt in tilts]),
        has_tilt=np.array([tilt is not None for tilt in tilts]),
    )


def _tilt(value: Value) -> tuple[float, float] | None:
    x, y, limit = value.tilt_x_mm_per_m, value.tilt_y_mm_per_m, value.tilt_limit_mm_per_m
    return None if x is None or y is None or limit is None else (x / limit, y / limit)


@dataclass(frozen=True, slots=True)
class StretchEnds:
    """The worst severity left at the beginning and found at the end of a stretch, and the places measured at both."""

    left: float | None
    found: float | None
    places: list[dict[str, Any]]


def left_and_found(places: Sequence[Place], number: int) -> StretchEnds:
    """Return the ends of the stretch after the visit of this number (-1: before the first)."""
    left = [_at(place, number, place.left) for place in places]
    found = [_at(place, number + 1, place.found) for place in places]
    both = [
        {
            "station": place.station,
            "seat": place.seat,
            "kind": place.kind,
            "left": [round(one.x_um, 3), round(one.y_um, 3)],
            "found": [round(two.x_um, 3), round(two.y_um, 3)],
            "limit": two.limit_um,
            "left_severity": round(one.severity, 4),
            "found_severity": round(two.severity, 4),
        }
        for place, one, two in zip(places, left, found, strict=True)
        if one is not None and two is not None and one.series == two.series
    ]
    return StretchEnds(
        left=max((value.severity for value in left if value), default=None),
        found=max((value.severity for value in found if value), default=None),
        places=both,
    )


def _at(place: Place, number: int, values: Sequence[Value]) -> Value | None:
    where = int(np.searchsorted(place.visits, number))
    return values[where] if where < len(place.visits) and place.visits[where] == number else None
