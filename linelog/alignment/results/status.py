"""How one station stands: the one answer that every page gives.

From the values that stand of it (static, of each seat; running, where it was measured) and from what is known of the
machine running, as `calc.station_state` weighs them. An entry screen, a visit, a list and the plan all ask here.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from linelog.alignment.results.unswept import Unswept, unswept
from linelog.alignment.running import Knowledge, Travels, shift_for, tilt_when_running
from linelog.alignment.standing import AS_FOUND, Value
from linelog.calc.station_state import Counts, Next, Stands, State, stands
from linelog.calc.uncertainty import Part, planar
from linelog.calc.verdict import WORST_FIRST, Judged, Verdict, judge
from linelog.plant.models import Station

CSS = {
    State.OUT: "out",
    State.OUT_RUNNING: "out",
    State.PROBABLY_OUT: "unsure",
    State.READ_AGAIN: "unsure",
    State.NOT_ALL: "unsure",
    State.NOT_PROVEN: "unsure",
    State.IN: "in",
    State.NOT_JUDGED: "none",
    State.NOT_MEASURED: "none",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """A value at one seat (um, x right, y up, U of its size) against its limit, its tilt taken in."""

    seat: str
    x_um: float
    y_um: float
    expanded_um: float
    judged: Judged
    value: Value

    @property
    def radial_um(self) -> float:
        """Size of the offset."""
        return math.hypot(self.x_um, self.y_um)

    @property
    def by_tilt(self) -> bool:
        """Whether the tilt alone speaks, so that the offset says nothing of the verdict."""
        return self.judged.severity > self.radial_um / self.value.limit_um + 1e-9


@dataclass(frozen=True, slots=True)
class StationStatus:
    """How a station stands, from what, and the worst seat's figure of each kind.

    static   the static value at each seat, and `expected_static` what each is expected to be when running
    trusted  whether what is expected may clear what is out as measured; `withheld`: the readings are in doubt
    known    whether anything is known of it running; `learned` from how many pairs, 0 where by the beam alone
    unswept  what of it is still to be swept
    """

    station: Station
    stands: Stands
    measured: Figure | None
    expected: Figure | None
    ran: Figure | None
    static: tuple[Figure, ...]
    expected_static: tuple[Figure, ...]
    known: bool
    learned: int
    trusted: bool = False
    withheld: bool = False
    unswept: tuple[Unswept, ...] = ()

    def at_seat(self, seat: str) -> Stands:
        """Say how one seat stands, weighed as the station is, from its own values alone."""
        measured, expected = (
            next((one.judged for one in figures if one.seat == seat), None)
            for figures in (self.static, self.expected_static)
        )
        return stands(
            measured,
            expected,
            self.ran.judged if self.ran else None,
            trusted=self.trusted,
            withheld=self.withheld,
            whole=not self.unswept,
            void=any(part.voids for part in self.unswept),
            judged=not self.station.is_bushing,
        )

    def expected_at(self, seat: str) -> Figure | None:
        """Return what the static value of a seat is expected to be when running; None where nothing is known."""
        return next((one for one in self.expected_static if one.seat == seat), None)

    @property
    def state(self) -> State:
        """How it stands."""
        return self.stands.state

    @property
    def then(self) -> Next:
        """What is to be done there."""
        return self.stands.then

    @property
    def figure(self) -> Figure | None:
        """The figure of the value that counts, at the worst seat."""
        return {Counts.MEASURED: self.measured, Counts.EXPECTED: self.expected, Counts.RAN: self.ran}[
            self.stands.counts
        ]

    @property
    def running(self) -> Figure | None:
        """What it does when running: as measured, else as expected."""
        return self.ran or self.expected

    @property
    def measured_out(self) -> bool:
        """Whether it is out as measured, whatever it does when running."""
        return self.measured is not None and self.measured.judged.verdict is Verdict.OUT

    @property
    def severity(self) -> float | None:
        """The value that counts as a share of its limit."""
        return self.figure.judged.severity if self.figure else None

    @property
    def is_out(self) -> bool:
        """Whether it is proven out, measured or running."""
        return self.state.is_out

    @property
    def css(self) -> str:
        """The class that gives the word its shape."""
        return CSS[self.state]

    @property
    def word(self) -> str:
        """The state in a word or two."""
        return self.state.value

    @property
    def worst_key(self) -> tuple[int, float]:
        """Sort key that puts the worst station first."""
        return (self.state.rank, -(self.severity or 0.0))


def status_of(
    station: Station,
    static: Sequence[Value],
    ran: Value | None,
    knowledge: Knowledge,
    travels: Travels,
    at: dt.datetime,
    *,
    withheld: bool = False,
    left: tuple[Unswept, ...] = (),
) -> StationStatus:
    """Say how a station stands, or one seat of it.

    static   the static values that stand of one visit and stage, one a seat
    ran      the running value since the last move, or None
    at       the moment for which it is asked: what was known of the machine running by then is used
    left     what of it is still to be swept
    """
    measured = [_measured(value) for value in static]
    expected = [one for value in static if (one := expected_at(station, value, knowledge, travels, at)) is not None]
    whole = len(expected) == len(static)
    own = _measured(ran) if ran is not None else None
    on_bar = any(value.carrier == Station.Carrier.BAR for value in static)
    learned = knowledge.learned_on_bar(station, at) if on_bar else knowledge.learned(station, at)
    worst, worst_expected = _worst(measured), _worst(expected) if whole else None
    trusted = learned is not None or knowledge.moves_for_running
    found = stands(
        worst.judged if worst else None,
        worst_expected.judged if worst_expected else None,
        own.judged if own else None,
        trusted=trusted,
        withheld=withheld,
        whole=not left,
        void=any(part.voids for part in left),
        judged=not station.is_bushing,
    )
    return StationStatus(
        station=station,
        stands=found,
        measured=worst,
        expected=worst_expected,
        ran=own,
        static=tuple(measured),
        expected_static=tuple(expected) if whole else (),
        known=learned is not None or on_bar or knowledge.hanging is not None,
        learned=learned.pairs if learned else 0,
        trusted=trusted,
        withheld=withheld,
        unswept=left,
    )


def station_status(
    station: Station,
    static: Sequence[Value],
    ran: Value | None,
    knowledge: Knowledge,
    travels: Travels,
    at: dt.datetime,
    *,
    withheld: bool = False,
    open_parts: Collection[Unswept] = (),
) -> StationStatus:
    """Say how a whole station stands, as `status_of`, with what of it is still to be swept unless it is in doubt.

    open_parts  as `unswept.unswept` takes them; a sweep of a bushing proves nothing and is no doubt
    """
    if station.is_bushing:
        static, withheld = (), False
    left = () if withheld else unswept(station, static, open_parts)
    return status_of(station, static, ran, knowledge, travels, at, withheld=withheld, left=left)


def _worst(figures: Sequence[Figure]) -> Figure | None:
    return min(figures, key=lambda one: (WORST_FIRST.index(one.judged.verdict), -one.judged.severity), default=None)


def _measured(value: Value) -> Figure:
    judged = Judged(Verdict(value.verdict), value.severity, value.radial_um, value.expanded_um, value.limit_um)
    return Figure(value.seat, value.x_um, value.y_um, value.expanded_um, judged, value)


def expected_at(
    station: Station, value: Value, knowledge: Knowledge, travels: Travels, at: dt.datetime
) -> Figure | None:
    """Return what a static value is expected to be when running, judged by its own limit; None if unknown."""
    moved = running_value(station, value, knowledge, travels, at)
    if moved is None:
        return None
    judged = _measured(moved).judged
    return Figure(value.seat, moved.x_um, moved.y_um, moved.expanded_um, judged, value)


def running_value(
    station: Station, value: Value, knowledge: Knowledge, travels: Travels, at: dt.datetime
) -> Value | None:
    """Return a static value moved to where it is expected when running, judged by its own limit; None if unknown.

    Its tilt loses the slope of the hanging ram, where a ram is on record.
    """
    travel = travel_of(value, travels)
    shift = shift_for(knowledge, station, value.seat, travel, at, value.carrier)
    if shift is None:
        return None
    moved = shift.applied(
        planar(value.x_um, value.y_um, (Part("the static value", value.u_x_um**2, value.u_y_um**2),))
    )
    judged = judge(moved.size, moved.radial.U, value.limit_um)
    tilt = tilt_when_running(knowledge, station, value, travel)
    if tilt is not None and value.tilt_limit_mm_per_m:
        judged = worse_of(judged, judge(tilt.size, tilt.radial.U, value.tilt_limit_mm_per_m))
    return replace(
        value,
        x_um=moved.x,
        y_um=moved.y,
        radial_um=moved.size,
        expanded_um=moved.radial.U,
        verdict=judged.verdict.value,
        severity=judged.severity,
        tilt_x_mm_per_m=tilt.x if tilt else None,
        tilt_y_mm_per_m=tilt.y if tilt else None,
        tilt_expanded_mm_per_m=tilt.radial.U if tilt else None,
        u_x_um=moved.across.U / moved.across.k,
        u_y_um=moved.up.U / moved.up.k,
    )


def worse_of(offset: Judged, tilt: Judged) -> Judged:
    """Join the verdicts on offset and tilt; the figures stay those of the offset, the severity is the larger."""
    verdict = min((offset.verdict, tilt.verdict), key=WORST_FIRST.index)
    return Judged(verdict, max(offset.severity, tilt.severity), offset.size, offset.expanded, offset.limit)


def travel_of(value: Value, travels: Travels) -> float | None:
    """Return the ram position a value was read at; what was carried over was read as found."""
    own = travels.get((value.visit_id, value.station_id, value.stage, value.seat))
    return own if own is not None else travels.get((value.visit_id, value.station_id, AS_FOUND, value.seat))
