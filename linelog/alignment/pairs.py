"""Pairs of a static as-left value and the running value that followed it, found by themselves in signed visits.

When something was measured, for the order of things within one visit: a running value 'as found' before anything was
touched, so when the visit was opened; 'as left' after the restart, so when it was signed; a static value as it was
swept, or, carried over as 'not touched', when the visit was opened. A move of the station or of a bushing, which
shifts the ram line itself, ends what was measured before it.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db.models import Exists, OuterRef, Q

from linelog.alignment.judging import judged
from linelog.alignment.models import Amendment, MoveMade, Result, Visit
from linelog.alignment.standing import AS_FOUND, AS_LEFT, RUNNING, Value, stand
from linelog.alignment.values import COLUMNS, last_words
from linelog.calc.reconcile import Measured, Pair, find_pairs
from linelog.plant.models import Station

#: Enough to learn from, and few enough to read for every typed reading; common practice, no source.
NEWEST_PAIRS, NEWEST_RESULTS = 20, 240
MORE = ("u_x_um", "u_y_um", "at", "visit__signed_at")


@dataclass(frozen=True, slots=True)
class FoundPair:
    """A pair with the visits that it comes from, and the standard uncertainty of its difference, um."""

    pair: Pair
    static_visit: int
    running_visit: int
    u_um: float


@dataclass(frozen=True, slots=True)
class _Point:
    measured: Measured
    visit: int
    u_um: float


def pairs_of(stations: Sequence[Station], *, bar: bool = False) -> dict[int, tuple[FoundPair, ...]]:
    """Return the newest pairs of each station, the oldest first; at most three queries, one where nothing ran.

    The ram and a bar in the cradle carry a dial in two ways that are not one series: `bar` asks for its own pairs.
    """
    static, running = _points(stations, bar=bar)
    if not running:
        return {}
    moves = _moves(stations)
    found = {station.pk: _paired(static[station.pk], running[station.pk], moves[station.pk]) for station in stations}
    return {key: pairs for key, pairs in found.items() if pairs}


def floor_um(pairs: Iterable[FoundPair]) -> float:
    """Return the uncertainty of one difference that the measurements themselves have, root mean square, um."""
    squares = [one.u_um**2 for one in pairs]
    return math.sqrt(sum(squares) / len(squares)) if squares else 0.0


def _paired(static: list[_Point], running: list[_Point], moves: list[dt.datetime]) -> tuple[FoundPair, ...]:
    by_static = {point.measured: point for point in static}
    by_running = {point.measured: point for point in running}
    pairs = sorted(find_pairs(list(by_static), list(by_running), moves), key=lambda pair: pair.running.when)
    return tuple(
        FoundPair(
            pair,
            by_static[pair.static].visit,
            by_running[pair.running].visit,
            math.hypot(by_static[pair.static].u_um, by_running[pair.running].u_um),
        )
        for pair in pairs[-NEWEST_PAIRS:]
    )


def _points(stations: Sequence[Station], *, bar: bool) -> tuple[dict[int, list[_Point]], dict[int, list[_Point]]]:
    """Read static as-left values and running values of signed visits, as the amendments let them stand."""
    amended = Exists(Amendment.objects.filter(visit=OuterRef("visit"), station__isnull=False))
    results = judged(Result.objects.filter(station__in=[one.pk for one in stations], visit__state=Visit.State.SIGNED))
    rows = list(
        results.order_by("-visit__opened_at", "-pk").values_list(*COLUMNS, *MORE, amended)[
            : NEWEST_RESULTS * len(stations)
        ]
    )
    values = [Value(*row[: len(COLUMNS)]) for row in rows]
    more = {_key(value): row[len(COLUMNS) :] for value, row in zip(values, rows, strict=True)}
    static: dict[int, list[_Point]] = defaultdict(list)
    running: dict[int, list[_Point]] = defaultdict(list)
    if not any(value.method == RUNNING for value in values):
        return static, running
    words = last_words({value.visit_id for value, row in zip(values, rows, strict=True) if row[-1]})
    seats: dict[tuple[int, int], list[tuple[Value, tuple[float, dt.datetime]]]] = defaultdict(list)
    for value in stand(values, words).values:
        _, u_y, at, signed_at, _ = more[_key(value)]
        if value.method == RUNNING:
            when = value.visit_at if value.stage == AS_FOUND else signed_at
            running[value.station_id].append(_Point(Measured(when, value.x_um, value.y_um), value.visit_id, u_y))
        elif value.stage == AS_LEFT and (value.carrier == Station.Carrier.BAR) == bar:
            seats[value.station_id, value.visit_id].append((value, (u_y, value.visit_at if value.carried else at)))
    wanted = {station.pk: len(station.seats) for station in stations}
    for (station, visit), parts in seats.items():
        if len(parts) == wanted[station]:
            static[station].append(_middle(visit, parts))
    return static, running


def _key(value: Value) -> tuple[int, int, str, str, str]:
    return value.visit_id, value.station_id, value.stage, value.seat, value.method


def _middle(visit: int, parts: Sequence[tuple[Value, tuple[float, dt.datetime]]]) -> _Point:
    """Put the seats of a station together: a running value speaks of the station as a whole."""
    n = len(parts)
    x, y = sum(value.x_um for value, _ in parts) / n, sum(value.y_um for value, _ in parts) / n
    u = math.sqrt(sum(u_y**2 for _, (u_y, _) in parts)) / n
    return _Point(Measured(max(when for _, (_, when) in parts), x, y), visit, u)


def _moves(stations: Sequence[Station]) -> dict[int, list[dt.datetime]]:
    """Return when each station, or a bushing of its machine, was moved."""
    machines = {station.machine_id for station in stations}
    rows = MoveMade.objects.filter(
        Q(station__in=[one.pk for one in stations]) | Q(station__kind__in=Station.BUSHINGS),
        station__machine__in=machines,
        visit__state=Visit.State.SIGNED,
    ).values_list("station_id", "station__machine_id", "station__kind", "at")
    own: dict[int, list[dt.datetime]] = defaultdict(list)
    of_line: dict[int, list[dt.datetime]] = defaultdict(list)
    for station, machine, kind, at in rows:
        (of_line[machine] if kind in Station.BUSHINGS else own[station]).append(at)
    return {station.pk: own[station.pk] + of_line[station.machine_id] for station in stations}
