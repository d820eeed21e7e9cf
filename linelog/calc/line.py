"""The common line: move the ram line at its two bushings, open the fewest stations, end with all within limits.

A station stands off the ram line by (x, y). Moving the ram by r at the rear bushing and by f at the front one moves
the line at z by r + (f - r) * (z - z_rear) / (z_front - z_rear), straight on beyond both. The offset falls by that,
and a station that is opened can be set where it is wanted, within its reach.

Limits are radial. A circle is no linear constraint, so it is replaced by a polygon of 32 sides inside it: what is
called inside truly is, and a plan is missed only where it needs the last `SHORTFALL` (0.5 %) of a limit. The reach
is a square; some sides of the polygon lie along it, so limit and reach add up without a further error. The solving
is in line_choice.py.

Micrometres, mm for z, mm/m for slopes; x right, y up, seen from the crank; offset = component minus ram line.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from linelog.calc.errors import CalcError
from linelog.calc.line_choice import (
    ROUNDING,
    SHORTFALL,
    Limited,
    Task,
    cheapest,
    conflicts,
    moves_for,
    out_of_reach,
    room,
)
from linelog.calc.require import Floats, above, number

__all__ = ["SHORTFALL", "LineBushing", "LineSeat", "LineStation", "Plan", "beyond_reach", "common_line"]

_OUTSIDE_UM, _FAR_MM, _STEEP = 50_000.0, 20_000.0, 1000.0


@dataclass(frozen=True, slots=True)
class LineSeat:
    """One seat of a station that has several: its own offset, held against the station's limit."""

    z_mm: float
    x_um: float
    y_um: float


@dataclass(frozen=True, slots=True)
class LineStation:
    """A station's offset from the ram line, what it may be, and what opening it costs.

    `u_um` is the expanded uncertainty: the plan aims at limit - u, so that the end is proven inside (ISO 14253-1).
    `reach_um`: how far it can be set along x and along y; None is as far as needed, 0 is not to be opened.
    Slopes are of the component's axis (dx/dz, dy/dz) against the ram line; they count where a limit is given.
    `seats`: where given, they are what the limit holds for, each by itself, and z, x and y of the station are not.
    """

    name: str
    z_mm: float
    x_um: float
    y_um: float
    limit_um: float
    u_um: float = 0.0
    hours: float = 0.0
    reach_um: float | None = None
    slope_x_mm_per_m: float = 0.0
    slope_y_mm_per_m: float = 0.0
    slope_limit_mm_per_m: float | None = None
    seats: tuple[LineSeat, ...] = ()

    @property
    def places(self) -> tuple[LineSeat, ...]:
        """Its seats; of a station without, itself."""
        return self.seats or (LineSeat(self.z_mm, self.x_um, self.y_um),)


@dataclass(frozen=True, slots=True)
class LineBushing:
    """A bushing that can be moved by up to `reach_um` along x and along y; 0 is a bushing that stays."""

    name: str
    z_mm: float
    reach_um: float
    hours: float = 0.0


@dataclass(frozen=True, slots=True)
class Plan:
    """One way to a common line. Arrays have a row a place (a station, or each of its seats) and columns (x, y).

    `station_of`: which station, in the order given, each place is of; slopes have a row a station.

    `opened`: names of bushings and stations, rear to front. `bushing_moves_um` (2, 2): rear, front. `line_um`: how
    far the ram line moves at each station. `station_moves_um`: the move of each opened station, else 0.
    `residual_um`, `slope_mm_per_m`: what is expected afterwards. `worst_share`: the largest residual as a share of
    its limit less u, slopes included where they have a limit.
    """

    opened: tuple[str, ...]
    hours: float
    bushing_moves_um: Floats
    line_um: Floats
    station_moves_um: Floats
    residual_um: Floats
    slope_mm_per_m: Floats
    worst_share: float
    station_of: NDArray[np.intp]


def common_line(
    stations: Sequence[LineStation],
    rear: LineBushing,
    front: LineBushing,
    *,
    most_plans: int = 3,
    rank: Literal["stations", "hours"] = "stations",
) -> tuple[Plan, ...]:
    """Return up to `most_plans` plans that bring every station inside its limits, cheapest first.

    rank 'stations': fewest bushings and stations opened, then fewest hours; 'hours': the other way round. No plan
    opens all that another one opens and more besides. Where nothing needs opening the one plan has an empty `opened`.
    Raises CalcError for bad input and where no plan exists, naming the stations that stay outside.
    """
    number(most_plans, "The number of plans", "most_plans", 1, 20)
    task = _task(_checked(stations), rear, front)
    count = np.ones(task.hours.size)
    large, small = (count, task.hours) if rank == "stations" else (task.hours, count)
    # The lesser criterion may only break ties of the greater one.
    cost = large + small * 1e-3 / max(1.0, small.sum())
    sets = conflicts(task.offsets, task.hours.size)
    found: list[Floats] = []
    plans: list[Plan] = []
    while len(plans) < most_plans and not (found and not found[-1].any()):
        opened = cheapest(cost, task.can_open, sets, found)
        if opened is None:
            break
        worst, conflict = room(task, opened)
        if worst > 1.0 + ROUNDING:
            sets = np.vstack([sets, conflict])
        else:
            found.append(opened)
            plans.append(_plan(task, opened, moves_for(task, opened, worst)))
    if not plans:
        raise CalcError(_why_none(task), field="reach_um")
    return tuple(plans)


def beyond_reach(stations: Sequence[LineStation], rear: LineBushing, front: LineBushing) -> tuple[str, ...]:
    """Name the stations that stay outside their limits though every bushing and station is opened.

    Raises CalcError for bad input as `common_line` does.
    """
    return tuple(out_of_reach(_task(_checked(stations), rear, front)))


def _plan(task: Task, opened: Floats, moves: Floats) -> Plan:
    offsets, slopes = task.offsets, task.slopes
    line = offsets.falls @ moves
    own = np.clip(line - offsets.value, -offsets.eased(opened)[:, None], offsets.eased(opened)[:, None])
    residual = offsets.value - line + own
    squared_up = np.isfinite(slopes.limit) & (opened[2:] > 0.0)
    slope = np.where(squared_up[:, None], 0.0, slopes.value - slopes.falls @ moves)
    shares = [np.hypot(*residual.T) / offsets.limit, np.hypot(*slope.T) / slopes.limit]
    order = [place for place in np.argsort(task.z_mm, kind="stable") if opened[place]]
    return Plan(
        opened=tuple(task.names[place] for place in order),
        hours=float(task.hours @ opened),
        bushing_moves_um=moves.reshape(2, 2),
        line_um=line,
        station_moves_um=own,
        residual_um=residual,
        slope_mm_per_m=slope,
        worst_share=float(np.concatenate(shares).max()),
        station_of=offsets.station,
    )


def _why_none(task: Task) -> str:
    names = out_of_reach(task)
    if not names:
        return "No set of moves within reach brings the offsets and the slopes of all stations within their limits."
    return f"Even with everything opened, out of reach of its limit stays: {', '.join(names)}."


def _task(stations: Sequence[LineStation], rear: LineBushing, front: LineBushing) -> Task:
    ends = [number(b.z_mm, f"The z of {b.name} (mm)", "z_mm", -_FAR_MM, _FAR_MM) for b in (rear, front)]
    reach = [number(b.reach_um, f"The reach of {b.name} (um)", "reach_um", 0.0, _OUTSIDE_UM) for b in (rear, front)]
    hours = [number(b.hours, f"The hours for {b.name}", "hours", 0.0, 10_000.0) for b in (rear, front)]
    if ends[0] >= ends[1]:
        raise CalcError("The front bushing must lie in front of the rear one.", field="bushings")
    middles = np.array([sum(place.z_mm for place in s.places) / len(s.places) for s in stations])
    everyone = np.arange(middles.size)
    of = np.repeat(everyone, [len(s.places) for s in stations])
    places = [place for s in stations for place in s.places]
    share = (np.array([place.z_mm for place in places]) - ends[0]) / (ends[1] - ends[0])
    tilt = np.tile([-1.0, 1.0], (middles.size, 1)) / (ends[1] - ends[0])  # um/mm is mm/m
    own = np.array([math.inf if s.reach_um is None else s.reach_um for s in stations])
    no_limit = [math.inf if s.slope_limit_mm_per_m is None else s.slope_limit_mm_per_m for s in stations]
    return Task(
        names=(rear.name, front.name, *(s.name for s in stations)),
        z_mm=np.concatenate([ends, middles]),
        hours=np.concatenate([hours, [s.hours for s in stations]]),
        can_open=(np.concatenate([reach, own]) > 0.0).astype(float),
        reach=np.repeat(reach, 2),
        offsets=Limited(
            of,
            np.array([[place.x_um, place.y_um] for place in places]),
            _both_axes(np.column_stack([1.0 - share, share])),
            np.array([s.limit_um - s.u_um for s in stations])[of],
            own[of],
        ),
        slopes=Limited(
            everyone,
            np.array([[s.slope_x_mm_per_m, s.slope_y_mm_per_m] for s in stations]),
            _both_axes(tilt),
            np.array(no_limit),
            np.where(own > 0.0, math.inf, 0.0),
        ),
    )


def _both_axes(felt: Floats) -> Floats:
    """(n, 2) of rear and front to (n, 2, 4): x and y each feel their own pair of the moves (rx, ry, fx, fy)."""
    return np.asarray(np.einsum("nb,cd->ncbd", felt, np.eye(2)).reshape(-1, 2, 4))


def _checked(stations: Sequence[LineStation]) -> Sequence[LineStation]:
    if not stations:
        raise CalcError("A common line needs at least one station.", field="stations")
    for s in stations:
        for place in (LineSeat(s.z_mm, s.x_um, s.y_um), *s.seats):
            number(place.z_mm, f"The z of {s.name} (mm)", "z_mm", -_FAR_MM, _FAR_MM)
            for offset in (place.x_um, place.y_um):
                number(offset, f"The offset of {s.name} (um)", "offset", -_OUTSIDE_UM, _OUTSIDE_UM)
        above(s.limit_um, f"The limit of {s.name} (um)", "limit_um", 0.0, _OUTSIDE_UM)
        number(s.u_um, f"The uncertainty of {s.name} (um)", "u_um", 0.0, _OUTSIDE_UM)
        number(s.hours, f"The hours for {s.name}", "hours", 0.0, 10_000.0)
        number(s.reach_um or 0.0, f"The reach of {s.name} (um)", "reach_um", 0.0, _OUTSIDE_UM)
        for slope in (s.slope_x_mm_per_m, s.slope_y_mm_per_m):
            number(slope, f"The slope of {s.name} (mm/m)", "slope", -_STEEP, _STEEP)
        if s.slope_limit_mm_per_m is not None:
            above(s.slope_limit_mm_per_m, f"The slope limit of {s.name} (mm/m)", "slope_limit_mm_per_m", 0.0, _STEEP)
        if s.u_um >= s.limit_um:
            raise CalcError(
                f"The uncertainty of {s.name} is as large as its limit: read it again before planning.", field="u_um"
            )
    return stations
