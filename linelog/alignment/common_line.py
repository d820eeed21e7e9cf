"""The common line of a machine: offsets as stored go in, ranked ways to bring all stations inside come out.

What is offered is what the shop can do: the moves are solved for each adjuster with its shims and steps, and what is
expected afterwards follows from those, not from the ideal line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linelog.alignment.line_offsets import Found, Offsets
from linelog.calc import line, moves, shopwords
from linelog.calc.errors import CalcError
from linelog.calc.line import LineBushing, LineStation, Plan
from linelog.calc.readings import View
from linelog.calc.require import Floats
from linelog.calc.units import SlopeUnit, Unit
from linelog.calc.verdict import Judged, Verdict, judge
from linelog.plant.adjusting import adjuster_of, reach_um, reference_z_mm
from linelog.plant.models import Adjuster, Station
from linelog.web.units import slope_unit

MOST_SHOWN, MOST_TRIED = 3, 6
NEAREST_UM = 0.5  # a limit that no shim meets but by luck: the solver then comes as near as it can
STEP_UM = 8.0  # to the side of an ideal move: the packs of a common stock (0.01 mm) to either side of it are reached
_BESIDE = tuple(STEP_UM * np.array(way) for way in ((0, 0), (0, 1), (0, -1), (1, 0), (-1, 0)))


@dataclass(frozen=True, slots=True)
class Step:
    """What is done at one bushing or station, in shop words."""

    name: str
    words: tuple[str, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class After:
    """One place before and after: offsets from the old and from the new ram line, um."""

    station: Station
    seat: str
    z_mm: float
    before: tuple[float, float]
    line: tuple[float, float]
    after: tuple[float, float]
    limit_um: float
    expanded_um: float
    judged: Judged

    @property
    def radial_um(self) -> float:
        """Size of what is left."""
        return math.hypot(*self.after)


@dataclass(frozen=True, slots=True)
class Alternative:
    """One way to a common line: what is opened, what is done there, and what is expected afterwards."""

    opened: tuple[str, ...]
    hours: float
    steps: tuple[Step, ...]
    places: tuple[After, ...]
    bushings: tuple[tuple[float, tuple[float, float]], ...]  # z and the move made there, rear and front

    @property
    def inside(self) -> bool:
        """Whether all is expected inside with the shims and steps there are."""
        return all(place.judged.verdict is Verdict.IN for place in self.places)

    @property
    def outside(self) -> tuple[str, ...]:
        """The places that are not proven inside."""
        return tuple(place.station.name for place in self.places if place.judged.verdict is not Verdict.IN)


@dataclass(frozen=True, slots=True)
class Answer:
    """The ways found, best first; what was left out and why; or why there is none."""

    alternatives: tuple[Alternative, ...] = ()
    beyond: tuple[str, ...] = ()
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Bushing:
    """A bushing as it can be moved; a machine without that station has one that stays."""

    name: str
    z_mm: float
    limit_um: float = 0.0
    hours: float = 0.0
    adjusters: tuple[Adjuster, ...] = ()

    @property
    def as_line(self) -> LineBushing:
        """What the sums take."""
        return LineBushing(self.name, self.z_mm, reach_um(self.adjusters), self.hours)


def plan_line(
    offsets: Offsets, rear: Bushing, front: Bushing, adjusters: dict[int, list[Adjuster]], unit: Unit, rank: str
) -> Answer:
    """Return up to three ways to bring all stations inside their limits, ranked by openings or by hours."""
    found = list(offsets.found)
    beyond: tuple[str, ...] = ()
    try:
        plans = _plans(found, rear, front, adjusters, rank)
        if plans is None:
            beyond = line.beyond_reach(_stations(found, adjusters), rear.as_line, front.as_line)
            found = [one for one in found if one.station.name not in beyond]
            plans = _plans(found, rear, front, adjusters, rank) if beyond and found else None
        if plans is None:
            return Answer(beyond=beyond, problem="No set of moves within reach brings all of these stations inside.")
        made = [_best_made(plan, found, (rear, front), adjusters, unit) for plan in plans]
    except CalcError as error:
        return Answer(beyond=beyond, problem=error.message)
    good = [one for one in made if one.inside][:MOST_SHOWN]
    rest = [one for one in made if not one.inside]
    return Answer(tuple(good + rest[: max(0, 2 - len(good))]), beyond)


def _plans(
    found: Sequence[Found], rear: Bushing, front: Bushing, adjusters: dict[int, list[Adjuster]], rank: str
) -> tuple[Plan, ...] | None:
    """Return the plans, or None where something is out of reach; other bad input is raised."""
    by_hours = rank == "hours"
    try:
        return line.common_line(
            _stations(found, adjusters),
            rear.as_line,
            front.as_line,
            most_plans=MOST_TRIED,
            rank="hours" if by_hours else "stations",
        )
    except CalcError as error:
        if error.field == "reach_um":
            return None
        raise


def _stations(found: Sequence[Found], adjusters: dict[int, list[Adjuster]]) -> list[LineStation]:
    return [
        LineStation(
            name=one.station.name,
            z_mm=reference_z_mm(one.station),
            x_um=one.middle[0],
            y_um=one.middle[1],
            limit_um=one.station.limit_um,
            u_um=one.expanded_um,
            hours=one.station.hours_to_open,
            reach_um=reach_um(adjusters.get(one.station.pk, [])),
            slope_x_mm_per_m=one.slope[0] if one.slope else 0.0,
            slope_y_mm_per_m=one.slope[1] if one.slope else 0.0,
            slope_limit_mm_per_m=_proven_out_at(one),
            seats=tuple(line.LineSeat(seat.z_mm, seat.x_um, seat.y_um) for seat in one.seats),
        )
        for one in found
    ]


def _best_made(
    plan: Plan,
    found: Sequence[Found],
    bushings: tuple[Bushing, Bushing],
    adjusters: dict[int, list[Adjuster]],
    unit: Unit,
) -> Alternative:
    """Turn a plan into moves of real adjusters: with few shims at the bushings, else the nearest set that does.

    A bushing within its own limit may be too far off for a station beyond it, since the line is a lever, and of two
    packs as near to the ideal move only one may do: those a step of shims to each side are tried.
    """
    best = _made(plan, found, bushings, adjusters, unit)
    exact = tuple(replace(one, limit_um=NEAREST_UM) for one in bushings)
    for shift in _BESIDE if not best.inside else ():
        for at in [place for place, one in enumerate(bushings) if one.name in plan.opened]:
            wanted = plan.bushing_moves_um.copy()
            wanted[at] += shift
            tried = _made(replace(plan, bushing_moves_um=wanted), found, exact, adjusters, unit)
            if tried.inside:
                return tried
            best = min(best, tried, key=lambda one: len(one.outside))
    return best


def _made(
    plan: Plan,
    found: Sequence[Found],
    bushings: Sequence[Bushing],
    adjusters: dict[int, list[Adjuster]],
    unit: Unit,
) -> Alternative:
    """Turn a plan into moves of real adjusters, and look where that leaves every place."""
    steps: list[Step] = []
    slopes = slope_unit(found[0].station.machine.line.plant, unit)
    moved = []
    for bushing, wanted in zip(bushings, plan.bushing_moves_um, strict=True):
        move, step = (
            _move_bushing(bushing, wanted, unit, slopes) if bushing.name in plan.opened else (np.zeros(2), None)
        )
        moved.append(move)
        steps += [step] if step else []
    z = [bushing.z_mm for bushing in bushings]
    turn = (moved[1] - moved[0]) / (z[1] - z[0])
    places: list[After] = []
    for one in found:
        shift = moved[0] + turn * (reference_z_mm(one.station) - z[0])
        start = _misaligned(one, shift, turn)
        if one.station.name in plan.opened:
            solution = _solved(one, start, adjusters[one.station.pk])
            steps.append(_step(one.station.name, solution, unit, slopes, View(one.station.view)))
            places += _places(one, moved[0], turn, z[0], _own(start, solution.after))
        else:
            places += _places(one, moved[0], turn, z[0], (np.zeros(2), np.zeros(2)))
    ends = tuple((at, _pair(move)) for at, move in zip(z, moved, strict=True))
    return Alternative(plan.opened, plan.hours, tuple(steps), tuple(places), ends)


def _misaligned(one: Found, shift: Floats, turn: Floats) -> moves.Misalignment:
    """Return where a station lies against the new line; um per mm is mm/m."""
    z = reference_z_mm(one.station)
    x, y = (np.array(one.middle) - shift).tolist()
    seats = tuple(
        moves.SeatOffset(
            seat.seat,
            seat.z_mm,
            seat.x_um - float(shift[0] + turn[0] * (seat.z_mm - z)),
            seat.y_um - float(shift[1] + turn[1] * (seat.z_mm - z)),
        )
        for seat in one.seats
    )
    if one.slope is None:
        return moves.Misalignment(x, y, z, seats=seats)
    slope_x, slope_y = (np.array(one.slope) - turn).tolist()
    return moves.Misalignment(x, y, z, slope_x, slope_y, seats)


def _solved(one: Found, start: moves.Misalignment, rows: Sequence[Adjuster]) -> moves.MoveSolution:
    slope, proven = start.slope_mm_per_m, _proven_out_at(one)
    limit = one.station.tilt_limit_mm_per_m if slope is not None else None
    mends_tilt = slope is not None and proven is not None and slope > proven
    made = [adjuster_of(row) for row in rows]
    return moves.solve_moves(start, made, one.station.limit_um, limit, mends_tilt=mends_tilt)


def _proven_out_at(one: Found) -> float | None:
    """Return the slope from which on a station is proven out of its limit, mm/m; None without limit or slope."""
    limit = one.station.tilt_limit_mm_per_m
    return None if one.slope is None or limit is None else limit + one.slope_expanded


def _own(start: moves.Misalignment, after: moves.Misalignment) -> tuple[Floats, Floats]:
    """Return how a station was moved at its middle, and how it was turned."""
    turned = [
        (b or 0.0) - (a or 0.0) for a, b in zip(start.slopes, after.slopes, strict=True)
    ]  # an unmeasured slope is left alone
    return np.array(after.offset) - np.array(start.offset), np.array(turned)


def _move_bushing(bushing: Bushing, wanted: Floats, unit: Unit, slopes: SlopeUnit) -> tuple[Floats, Step]:
    """Move the ram at a bushing with the shims and steps it has; return how far it then goes."""
    start = moves.Misalignment(-float(wanted[0]), -float(wanted[1]), bushing.z_mm)
    solution = moves.solve_moves(start, [adjuster_of(row) for row in bushing.adjusters], bushing.limit_um)
    move = np.array(solution.after.offset) - np.array(start.offset)
    return move, _step(bushing.name, solution, unit, slopes, View.CRANK)


def _step(name: str, solution: moves.MoveSolution, unit: Unit, slopes: SlopeUnit, seen_from: View) -> Step:
    words = tuple(shopwords.move_words(move, unit, seen_from=seen_from) for move in solution.moves if move.travel_um)
    return Step(name, words or ("leave it as it is",), shopwords.side_effect_words(solution, unit, slopes))


def _places(one: Found, rear: Floats, turn: Floats, rear_z: float, own: tuple[Floats, Floats]) -> list[After]:
    moved, turned = own
    middle = reference_z_mm(one.station)
    places = []
    for seat in one.seats:
        shift = rear + turn * (seat.z_mm - rear_z)
        left = np.array([seat.x_um, seat.y_um]) - shift + moved + turned * (seat.z_mm - middle)
        size, limit = float(np.hypot(*left)), one.station.limit_um
        places.append(
            After(
                station=one.station,
                seat=seat.seat,
                z_mm=seat.z_mm,
                before=(seat.x_um, seat.y_um),
                line=_pair(shift),
                after=_pair(left),
                limit_um=limit,
                expanded_um=one.expanded_um,
                judged=judge(size, one.expanded_um, limit),
            )
        )
    return places


def _pair(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[1])
