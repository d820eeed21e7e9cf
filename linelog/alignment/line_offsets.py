"""The offsets a common line starts from: as the machine stands now, or as one visit found it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from linelog.alignment.models import Stage, Visit
from linelog.alignment.results.now import machine_statuses
from linelog.alignment.results.of_visit import visit_statuses
from linelog.alignment.results.status import Figure, StationStatus, travel_of
from linelog.alignment.running import Knowledge, Travels, knowledge_of, travels_of
from linelog.alignment.standing import Value
from linelog.calc.face import slope_from_tilt
from linelog.calc.station_state import Counts, State
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Machine, Station


@dataclass(frozen=True, slots=True)
class SeatOffset:
    """One seat's offset from the ram line, um."""

    seat: str
    z_mm: float
    x_um: float
    y_um: float


@dataclass(frozen=True, slots=True)
class SeatFigure:
    """The offset of a seat to plan for, um, and the stored value that it comes from."""

    x_um: float
    y_um: float
    expanded_um: float
    value: Value


@dataclass(frozen=True, slots=True)
class Found:
    """A station with all its seats measured; `slope` of its axis in mm/m, and its U, where that was measured too."""

    station: Station
    seats: tuple[SeatOffset, ...]
    expanded_um: float
    slope: tuple[float, float] | None
    slope_expanded: float = 0.0

    @property
    def middle(self) -> tuple[float, float]:
        """The mean of its seats."""
        n = len(self.seats)
        return sum(seat.x_um for seat in self.seats) / n, sum(seat.y_um for seat in self.seats) / n


@dataclass(frozen=True, slots=True)
class RunsOff:
    """A station that would run out of its limit if it were left true as measured, and how far off, um."""

    station: Station
    size_um: float


@dataclass(frozen=True, slots=True)
class Offsets:
    """What is planned for, and in a sentence each what is not; `running` where it is the value when running.

    as_measured  stations planned for as measured, since nothing (or too little) is known of them running
    not_planned  how the stations stand that are out, or probably so, and yet not planned for
    runs_off     what would run out of its limit, set true to these offsets; none where they are those when running
    """

    found: tuple[Found, ...]
    left_out: tuple[str, ...]
    running: bool
    as_measured: tuple[str, ...]
    not_planned: tuple[StationStatus, ...]
    runs_off: tuple[RunsOff, ...] = ()


def offsets_of(
    machine: Machine, stations: Sequence[Station], visit: Visit | None, *, running: bool, at: dt.datetime
) -> Offsets:
    """Read the offsets of the stations that stand along the ram line, of a visit or as they are now.

    running  from the value when running where there is one: measured, else expected; else as measured
    """
    along = [station for station in stations if not station.is_bushing]
    stand = _statuses(machine, along, visit, at)
    known = knowledge_of(machine, along) if running else Knowledge()
    travels = travels_of({one.value.visit_id for status in stand.values() for one in status.static})
    found, left_out, as_measured = [], [], []
    for station in along:
        status = stand.get(station.pk)
        figures, runs = _figures(status, running=running) if status else ({}, False)
        one = _found(station, figures, _ram_slope(station, status, known, travels) if runs else 0.0)
        if isinstance(one, str):
            left_out.append(one)
            continue
        found.append(one)
        if running and not runs:
            as_measured.append(station.name)
    planned = {one.station.pk for one in found}
    wrong = [one for one in stand.values() if one.is_out or one.state is State.PROBABLY_OUT]
    aside = tuple(one for one in wrong if one.station.pk not in planned or not (running or one.measured_out))
    told = {one.station.pk for one in aside}
    return Offsets(
        tuple(found),
        tuple(left_out),
        running,
        tuple(as_measured),
        aside,
        () if running else _runs_off([stand[pk] for pk in planned - told]),
    )


def _runs_off(found: Sequence[StationStatus]) -> tuple[RunsOff, ...]:
    """Return which stations run further from where they are measured than their limit: the hanging ram's part."""
    rows = []
    for status in found:
        static, _ = _figures(status, running=False)
        runs, known = _figures(status, running=True)
        apart = [math.hypot(runs[seat].x_um - at.x_um, runs[seat].y_um - at.y_um) for seat, at in static.items()]
        if known and max(apart) > status.station.limit_um:
            rows.append(RunsOff(status.station, max(apart)))
    return tuple(sorted(rows, key=lambda one: one.station.z_mm))


def _statuses(
    machine: Machine, stations: Sequence[Station], visit: Visit | None, at: dt.datetime
) -> dict[int, StationStatus]:
    if visit is None:
        return {one.station.pk: one for one in machine_statuses(machine, at)}
    found = visit_statuses(visit, stations, at)
    return {pk: status for (pk, stage), status in found.items() if stage == Stage.AS_FOUND}


def _figures(status: StationStatus, *, running: bool) -> tuple[dict[str, SeatFigure], bool]:
    """Return the offsets of a station to plan for, by seat, and whether they are those when running.

    What is expected counts here too where it does not prove the state, unless it is known to no better than the
    limit: then the measured value tells more.
    """
    static = {one.seat: SeatFigure(one.x_um, one.y_um, one.expanded_um, one.value) for one in status.static}
    if not running:
        return static, False
    if status.ran is not None:
        return _from_run(status.station, status.ran, static), True
    expected = {
        one.seat: SeatFigure(one.x_um, one.y_um, one.expanded_um, one.value) for one in status.expected_static
    }
    counts = status.stands.counts is Counts.EXPECTED
    fine = all(one.expanded_um < status.station.limit_um for one in expected.values())
    return (expected, True) if expected and (counts or fine) else (static, False)


def _from_run(station: Station, ran: Figure, static: Mapping[str, SeatFigure]) -> dict[str, SeatFigure]:
    """Give each seat the running value, apart from one another as they were measured at rest."""
    seats = [static[seat] for seat in station.seats if seat in static]
    whole = len(seats) == len(station.seats)
    x, y = (
        (sum(one.x_um for one in seats) / len(seats), sum(one.y_um for one in seats) / len(seats))
        if whole
        else (0, 0)
    )
    return {
        seat: SeatFigure(
            ran.x_um + (static[seat].x_um - x if whole else 0.0),
            ran.y_um + (static[seat].y_um - y if whole else 0.0),
            ran.expanded_um,
            static[seat].value if whole else ran.value,
        )
        for seat in station.seats
    }


def _ram_slope(station: Station, status: StationStatus | None, known: Knowledge, travels: Travels) -> float:
    """Return the slope of the hanging ram as the station was read, mm/m: it no longer shows in it when it runs."""
    if status is None or not status.static or status.static[0].value.carrier == Station.Carrier.BAR:
        return 0.0
    seen = known.seen(reference_z_mm(station), travel_of(status.static[0].value, travels))
    return seen.slope_mm_per_m if seen else 0.0


def _found(station: Station, figures: Mapping[str, SeatFigure], ram_slope_y: float) -> Found | str:
    """Return the station, or the sentence why it is not planned for."""
    missing = [seat for seat in station.seats if seat not in figures]
    if missing:
        which = f"the {missing[0]} seat of {station}" if missing[0] else str(station)
        return f"{which[:1].upper()}{which[1:]} was not measured: it is not planned for."
    seats = [
        SeatOffset(seat, station.seat_z_mm(seat), figures[seat].x_um, figures[seat].y_um) for seat in station.seats
    ]
    expanded = max(one.expanded_um for one in figures.values())
    if expanded >= station.limit_um:
        return f"{station} is known to no better than its limit: measure it again; it is not planned for."
    value = figures[station.seats[0]].value
    return Found(
        station,
        tuple(seats),
        expanded,
        _slope(value, ram_slope_y),
        slope_expanded=value.tilt_expanded_mm_per_m or 0.0,
    )


def _slope(value: Value, ram_slope_y: float) -> tuple[float, float] | None:
    """Return the slope of the axis, with what the hanging ram adds to it taken out."""
    if value.tilt_x_mm_per_m is None or value.tilt_y_mm_per_m is None:
        return None
    x, y = slope_from_tilt(value.tilt_x_mm_per_m, value.tilt_y_mm_per_m)
    return x, y + ram_slope_y
