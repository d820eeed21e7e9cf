"""How the stations of some machines were found, visit by visit: what the rule of repeat problems looks at."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from linelog.alignment.models import Result, Visit
from linelog.alignment.results.as_runs import as_set
from linelog.alignment.results.now import knowledge_by_machine
from linelog.alignment.results.status import StationStatus, status_of
from linelog.alignment.running import Knowledge, Travels, travels_of
from linelog.alignment.standing import AS_FOUND, RUNNING, STATIC, Value
from linelog.alignment.values import standing
from linelog.plant.models import Plant, Station
from linelog.production.days import local_day, zone
from linelog.production.queries import DaySeries, fleet_day_counts

LOOK_BACK_DAYS = 1096  # three years: an older visit says little of the machine as it is today


Pair = tuple[Value, Value]  # as measured, and held against where its station is set


@dataclass(frozen=True, slots=True)
class AtVisit:
    """A signed visit: when (`day` in the plant's time), and the temperatures written down."""

    pk: int
    machine_id: int
    at: dt.datetime
    day: dt.date
    oil_c: float | None
    room_c: float | None


@dataclass(frozen=True, slots=True)
class Found:
    """A station as one visit found it: its worse seat, how that seat was left before, and the strokes between.

    status  how it stood by what was known at that visit; None: its measured value alone says so
    """

    visit: AtVisit
    value: Value
    left: Value | None
    left_visit: AtVisit | None
    strokes_million: float | None = None
    status: StationStatus | None = None
    set_for_running: bool = False

    @property
    def is_out(self) -> bool:
        """Whether it is proven out by what was measured, at rest or running, and not cleared by what it does running.

        What is in at rest and expected out when running, visit after visit, does not come back: it was set so. Where
        it is set for the running value, the value is what it is expected to be then.
        """
        if self.status is None or self.value.method == RUNNING or self.set_for_running:
            return self.value.verdict == "out"
        return self.status.is_out and self.status.measured_out

    @property
    def word(self) -> str:
        """How it stood, in a word."""
        return self.status.word if self.status else self.value.verdict

    @property
    def off(self) -> tuple[float, float]:
        """The offset, um: as it was measured, or as expected when running where it is set for that."""
        return self.value.x_um, self.value.y_um

    @property
    def by_tilt(self) -> bool:
        """Whether it is out by its tilt alone, so that the offset's direction says nothing of it."""
        return self.is_out and math.hypot(*self.off) <= self.value.limit_um


@dataclass(frozen=True, slots=True)
class Series:
    """One station measured by one method, the oldest visit first."""

    station_id: int
    method: str
    found: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class History:
    """A machine's series, by station and then method."""

    machine_id: int
    series: tuple[Series, ...] = field(default=())


def histories(plant: Plant, machines: Iterable[int], now: dt.datetime) -> dict[int, History]:
    """Read the as-found values of machines of one plant, few queries; a machine without visits is absent."""
    since = now - dt.timedelta(days=LOOK_BACK_DAYS)
    visits = _visits(plant, machines, since, now)
    results = Result.objects.filter(
        visit__machine__in=list(machines), visit__state=Visit.State.SIGNED, visit__opened_at__range=(since, now)
    )
    stations = {one.pk: one for one in Station.objects.filter(machine__in=list(machines)).select_related("machine")}
    known = knowledge_by_machine({one.machine_id: one.machine for one in stations.values()}, list(stations.values()))
    knows = _Knows(stations, known, travels_of(visits))
    by_series: dict[tuple[int, int, str], list[Pair]] = {}
    measured = [value for value in standing(results).values if value.visit_id in visits]
    for value, held in zip(measured, as_set(measured, stations.values(), known), strict=True):
        machine = visits[value.visit_id].machine_id
        by_series.setdefault((machine, value.station_id, value.series), []).append((value, held))
    made: dict[int, list[Series]] = {}
    for (machine, station, method), values in by_series.items():
        made.setdefault(machine, []).append(Series(station, method, tuple(_found(values, visits, knows))))
    return {machine: History(machine, tuple(series)) for machine, series in made.items()}


def _visits(plant: Plant, machines: Iterable[int], since: dt.datetime, now: dt.datetime) -> dict[int, AtVisit]:
    rows = Visit.objects.filter(machine__in=list(machines), state=Visit.State.SIGNED, opened_at__range=(since, now))
    where = zone(plant)
    return {
        pk: AtVisit(pk, machine, at, at.astimezone(where).date(), oil, room)
        for pk, machine, at, oil, room in rows.values_list("pk", "machine_id", "opened_at", "oil_c", "room_c")
    }


@dataclass(frozen=True, slots=True)
class _Knows:
    """What is known of the machines running, by which a value's state is told."""

    stations: dict[int, Station]
    known: dict[int, Knowledge]
    travels: Travels

    def is_set_for_running(self, value: Value) -> bool:
        """Whether moves of its machine are for the running value."""
        return self.known[self.stations[value.station_id].machine_id].moves_for_running

    def status(self, value: Value) -> StationStatus:
        """Say how a seat stood at the visit that measured it."""
        station = self.stations[value.station_id]
        static, ran = ([value], None) if value.method == STATIC else ([], value)
        return status_of(station, static, ran, self.known[station.machine_id], self.travels, value.visit_at)


def _found(values: list[Pair], visits: dict[int, AtVisit], knows: _Knows) -> Iterable[Found]:
    """Pair each as-found value with how its seat was left by the visit before; `values` are in the order of time."""
    by_visit: dict[int, list[Pair]] = {}
    for pair in values:
        by_visit.setdefault(pair[0].visit_id, []).append(pair)
    left: dict[str, tuple[Value, AtVisit]] = {}
    for visit_id, at_once in by_visit.items():
        visit = visits[visit_id]
        seats = {value.seat: (knows.status(value), held) for value, held in at_once if value.stage == AS_FOUND}
        if seats:
            status, worst = min(seats.values(), key=lambda seat: seat[0].worst_key)
            before, before_visit = left.get(worst.seat, (None, None))
            yield Found(
                visit, worst, before, before_visit, status=status, set_for_running=knows.is_set_for_running(worst)
            )
        for _, held in sorted(at_once, key=lambda pair: pair[0].stage):  # as_found < as_left
            left[held.seat] = (held, visit)


def with_strokes(history: History, days: DaySeries) -> History:
    """Return the history with the strokes between two visits put in, from the cans begun by day."""
    counted = _Strokes(days)
    return replace(
        history,
        series=tuple(
            replace(series, found=tuple(_with_strokes(found, counted) for found in series.found))
            for series in history.series
        ),
    )


def _with_strokes(found: Found, counted: _Strokes) -> Found:
    if found.left_visit is None:
        return found
    return replace(found, strokes_million=counted.between(found.left_visit.day, found.visit.day))


class _Strokes:
    """Cans begun, added up over the days."""

    def __init__(self, days: DaySeries) -> None:
        self.day = days.day
        self.total = np.concatenate([[0], np.cumsum(days.made)])

    def between(self, first: dt.date, last: dt.date) -> float | None:
        """Millions of strokes from the first day to the day before the last; None where none were counted."""
        ends = np.searchsorted(self.day, np.array([first, last], dtype="datetime64[D]"))
        strokes = float(self.total[ends[1]] - self.total[ends[0]])
        return strokes / 1e6 if strokes > 0.0 else None


def days_of(plant: Plant, machines: list[int], now: dt.datetime) -> dict[int, DaySeries]:
    """Return the daily sums of some machines over the time looked at."""
    today = local_day(plant, now)
    fleet = fleet_day_counts(machines, today - dt.timedelta(days=LOOK_BACK_DAYS), today)
    return dict.fromkeys(machines, fleet.days.where(slice(0))) | fleet.by_machine()
