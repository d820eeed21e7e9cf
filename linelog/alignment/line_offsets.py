"""The offsets a common line starts from: as the machine stands now, or as one visit found it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from linelog.alignment.models import Result, Stage, Sweep, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.running import Knowledge, knowledge_of, shift_for
from linelog.alignment.standing import Value, as_it_is_now
from linelog.alignment.values import latest, standing
from linelog.calc.face import slope_from_tilt
from linelog.calc.uncertainty import Part, planar
from linelog.plant.models import Machine, Station


@dataclass(frozen=True, slots=True)
class SeatOffset:
    """One seat's offset from the ram line, um."""

    seat: str
    z_mm: float
    x_um: float
    y_um: float


@dataclass(frozen=True, slots=True)
class Found:
    """A station with all its seats measured; `slope` of its axis in mm/m where that was measured too."""

    station: Station
    seats: tuple[SeatOffset, ...]
    expanded_um: float
    slope: tuple[float, float] | None

    @property
    def middle(self) -> tuple[float, float]:
        """The mean of its seats."""
        n = len(self.seats)
        return sum(seat.x_um for seat in self.seats) / n, sum(seat.y_um for seat in self.seats) / n


@dataclass(frozen=True, slots=True)
class Offsets:
    """What is planned for, and in a sentence each what is not; `running` where it is the expected running value."""

    found: tuple[Found, ...]
    left_out: tuple[str, ...]
    running: bool


def offsets_of(machine: Machine, stations: Sequence[Station], visit: Visit | None, *, running: bool) -> Offsets:
    """Read the offsets of the stations that stand along the ram line, of a visit or as they are now."""
    along = [station for station in stations if not station.is_bushing]
    values = _values(machine, visit)
    known = knowledge_of(machine, along) if running else Knowledge()
    travels = _travels({value.visit_id for value in values}) if running else {}
    by_station: dict[int, list[Value]] = defaultdict(list)
    for value in values:
        by_station[value.station_id].append(value)
    found, left_out = [], []
    for station in along:
        one = _found(station, by_station[station.pk], known if running else None, travels)
        if isinstance(one, Found):
            found.append(one)
        else:
            left_out.append(one)
    return Offsets(tuple(found), tuple(left_out), running)


def _values(machine: Machine, visit: Visit | None) -> list[Value]:
    if visit is None:
        now = as_it_is_now(latest(Station.objects.filter(machine=machine, is_active=True)))
        return [value for value in now if value.method == Method.STATIC]
    results = Result.objects.filter(visit=visit, stage=Stage.AS_FOUND, method=Method.STATIC)
    return list(standing(results).values)


Travels = dict[tuple[int, int, str], float | None]


def _travels(visits: Iterable[int]) -> Travels:
    rows = Sweep.objects.filter(visit__in=list(visits), kind=Sweep.Kind.RIM).order_by("pk")
    return {
        (visit, station, seat): travel
        for visit, station, seat, travel in rows.values_list("visit_id", "station_id", "seat", "ram_position_mm")
    }


def _found(station: Station, values: Sequence[Value], known: Knowledge | None, travels: Travels) -> Found | str:
    """Return the station, or the sentence why it is not planned for."""
    by_seat = {value.seat: value for value in values}
    missing = [seat for seat in station.seats if seat not in by_seat]
    if missing:
        which = f"the {missing[0]} seat of {station}" if missing[0] else str(station)
        return f"{which[:1].upper()}{which[1:]} was not measured: it is not planned for."
    seats, expanded, slope_y = [], 0.0, 0.0
    for seat in station.seats:
        value = by_seat[seat]
        at = planar(
            value.x_um, value.y_um, (Part("static", (value.expanded_um / 2.0) ** 2, (value.expanded_um / 2.0) ** 2),)
        )
        if known is not None:
            travel = travels.get((value.visit_id, station.pk, seat))
            shift = shift_for(known, station, seat, travel, value.carrier)
            if shift is None:
                return f"What {station} does when running is not known: it is not planned for."
            on_bar = value.carrier == Station.Carrier.BAR
            seen = None if on_bar else known.seen(station.seat_z_mm(seat), travel)
            slope_y = seen.slope_mm_per_m if seen else 0.0
            at = shift.applied(at)
        seats.append(SeatOffset(seat, station.seat_z_mm(seat), at.x, at.y))
        expanded = max(expanded, at.across.U, at.up.U)
    if expanded >= station.limit_um:
        return _too_rough(station, running=known is not None)
    return Found(station, tuple(seats), expanded, _slope(by_seat, slope_y))


def _too_rough(station: Station, *, running: bool) -> str:
    if running:
        return f"What {station} does when running is known to no better than its limit: it is not planned for."
    return f"{station} is known to no better than its limit: read it again; it is not planned for."


def _slope(by_seat: dict[str, Value], ram_slope_y: float) -> tuple[float, float] | None:
    """Return the slope of the axis; the ram's own slope no longer shows in it when it runs."""
    value = next(iter(by_seat.values()))
    if value.tilt_x_mm_per_m is None or value.tilt_y_mm_per_m is None:
        return None
    x, y = slope_from_tilt(value.tilt_x_mm_per_m, value.tilt_y_mm_per_m)
    return x, y + ram_slope_y
