"""The move that brings a station to the ram line: travels, the residual expected, and what stays out of reach.

The correction is the negative of the offset. Two feet at zf and zr under a station measured at z0 so need
-(y0 + slope*(zf - z0)) and -(y0 + slope*(zr - z0)); rounded to whole shims and to the steps of screws and slides.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linelog.calc import require
from linelog.calc.adjust import Adjuster, Mount, mount
from linelog.calc.choose import choose
from linelog.calc.errors import CalcError
from linelog.calc.goal import HAIR_UM, Goal, alignment_goal
from linelog.calc.require import Floats
from linelog.calc.shims import Pack
from linelog.calc.travel_ladder import Setting
from linelog.calc.units import ABSURD_UM
from linelog.calc.verdict import check_limit

#: Stored beside every result, so that results of other sums can be told apart.
ALGORITHM = "moves-3"

_STEEPEST_MM_PER_M = 100.0
_FARTHEST_MM = 20_000.0
_MOST_ADJUSTERS = 16
_NOTICED_UM = 0.5  # a shortfall smaller than this is rounding


@dataclass(frozen=True, slots=True)
class SeatOffset:
    """Where one seat of a station lies: its name ('' where it is the only one), its z, and its offset there in um."""

    name: str
    z_mm: float
    x_um: float
    y_um: float

    def __post_init__(self) -> None:
        for field, what in (("x_um", "The offset across in µm"), ("y_um", "The offset up in µm")):
            require.number(getattr(self, field), what, field, -ABSURD_UM, ABSURD_UM)
        require.number(self.z_mm, "The seat's z in mm", "z_mm", -_FARTHEST_MM, _FARTHEST_MM)

    @property
    def radial_um(self) -> float:
        """Size of the offset."""
        return math.hypot(self.x_um, self.y_um)


@dataclass(frozen=True, slots=True)
class Misalignment:
    """Where a station lies: component centre less ram line at z_mm, and the slope of its AXIS.

    x_um, y_um    offset, right and up seen from the crank
    z_mm          the station's reference, where the offset holds
    slope_x_mm_per_m, slope_y_mm_per_m  dx/dz and dy/dz, or None where not measured: such a slope counts as nought.
                  A face's tilt as a plane has the opposite sign (`face.slope_from_tilt`)
    seats         the seats that are judged, each by its own offset; none means one, at the reference

    Raises `CalcError` for numbers that are not finite or beyond belief (50 mm, 100 mm/m).
    """

    x_um: float
    y_um: float
    z_mm: float = 0.0
    slope_x_mm_per_m: float | None = None
    slope_y_mm_per_m: float | None = None
    seats: tuple[SeatOffset, ...] = ()

    def __post_init__(self) -> None:
        for name, what in (("x_um", "The offset across in µm"), ("y_um", "The offset up in µm")):
            require.number(getattr(self, name), what, name, -ABSURD_UM, ABSURD_UM)
        require.number(self.z_mm, "The station's z in mm", "z_mm", -_FARTHEST_MM, _FARTHEST_MM)
        for name in ("slope_x_mm_per_m", "slope_y_mm_per_m"):
            if getattr(self, name) is not None:
                slope = require.number(
                    getattr(self, name), "The slope in mm/m", name, -_STEEPEST_MM_PER_M, _STEEPEST_MM_PER_M
                )
                object.__setattr__(self, name, slope)

    @property
    def offset(self) -> tuple[float, float]:
        """(x, y)."""
        return self.x_um, self.y_um

    @property
    def slopes(self) -> tuple[float | None, float | None]:
        """(slope_x, slope_y)."""
        return self.slope_x_mm_per_m, self.slope_y_mm_per_m

    @property
    def judged(self) -> tuple[SeatOffset, ...]:
        """The seats that are judged; the reference where there are none."""
        return self.seats or (SeatOffset("", self.z_mm, self.x_um, self.y_um),)

    @property
    def worst(self) -> SeatOffset:
        """The seat that lies farthest off."""
        return max(self.judged, key=lambda seat: seat.radial_um)

    @property
    def radial_um(self) -> float:
        """Size of the offset, at the seat where it is largest."""
        return self.worst.radial_um

    @property
    def slope_mm_per_m(self) -> float | None:
        """Size of the slope over the directions measured; None where neither was."""
        known = [slope for slope in self.slopes if slope is not None]
        return math.hypot(*known) if known else None

    def moved(self, motion: Floats) -> "Misalignment":
        """Return where it lies after a motion (dx, dy, dz, slope_x, slope_y); what was not measured stays unknown."""
        dx, dy, _, *turn = motion.tolist()
        slope_x, slope_y = (None if s is None else s + d for s, d in zip(self.slopes, turn, strict=True))
        seats = tuple(
            SeatOffset(
                seat.name,
                seat.z_mm,
                seat.x_um + dx + turn[0] * (seat.z_mm - self.z_mm),
                seat.y_um + dy + turn[1] * (seat.z_mm - self.z_mm),
            )
            for seat in self.seats
        )
        return Misalignment(self.x_um + dx, self.y_um + dy, self.z_mm, slope_x, slope_y, seats)


@dataclass(frozen=True, slots=True)
class AdjusterMove:
    """What to do with one adjuster.

    wanted_um  travel that would bring everything to nothing, before bounds and steps
    setting    travel to make, positive as `Adjuster` says, and the pieces that make it
    """

    adjuster: Adjuster
    wanted_um: float
    setting: Setting

    @property
    def travel_um(self) -> float:
        """Travel to make; 0 means: leave it."""
        return self.setting.travel_um

    @property
    def pack(self) -> Pack | None:
        """Pieces to put in and take out; None for what is not a shim pack, or is left."""
        return self.setting.pack

    @property
    def turns(self) -> float | None:
        """Turns of a screw, positive for positive travel; None for what does not turn."""
        pitch = self.adjuster.pitch_mm
        return None if pitch is None else self.travel_um / (1000.0 * pitch)

    @property
    def short_um(self) -> float:
        """Travel that is wanted and cannot be had: beyond the bounds, the pack or the stock; 0 within them."""
        low, high = self.adjuster.reach_um
        return max(0.0, self.wanted_um - high, low - self.wanted_um)

    @property
    def in_bounds(self) -> bool:
        """Whether the travel wanted can be had, steps and thicknesses aside."""
        return self.short_um < _NOTICED_UM


@dataclass(frozen=True, slots=True)
class MoveSolution:
    """A move and what it is expected to leave.

    moves          one for each adjuster, in the order given
    before, after  where the station lies, and is expected to lie
    stuck          where it would lie if every adjuster went as far as wanted: what none of them governs
    limit_um, tilt_limit_mm_per_m  what it is held against; the tilt limit may be None
    endways_um     shift along the ram that comes with the move, forward positive
    strain_um      largest gap left at an adjuster that the rigid body does not follow: a foot that does not bear
    turned_mm_per_m  how far the move turns the station, whether or not its slope was measured
    keeping_tilt   where the move pushes a slope out of its limit: the best that leaves the slope inside
    mends_tilt     whether a limited slope was to be mended; else it was to be left as it is
    """

    moves: tuple[AdjusterMove, ...]
    before: Misalignment
    after: Misalignment
    stuck: Misalignment
    limit_um: float
    tilt_limit_mm_per_m: float | None
    endways_um: float
    strain_um: float
    turned_mm_per_m: float = 0.0
    keeping_tilt: "MoveSolution | None" = None
    mends_tilt: bool = True

    @property
    def offset_inside(self) -> bool:
        """Whether each seat's offset is expected inside its limit; the uncertainty of the sweep is not in this."""
        return self.after.radial_um <= self.limit_um + HAIR_UM

    @property
    def slope_inside(self) -> bool | None:
        """Whether the slope expected lies inside its limit; None where it has none or was not measured."""
        return self._slope_inside(self.after.slope_mm_per_m)

    @property
    def inside(self) -> bool:
        """Whether every seat's offset and the slope, where known and not to be left, are inside."""
        return self.offset_inside and (self.slope_inside is not False or self.leaves_tilt)

    @property
    def leaves_tilt(self) -> bool:
        """Whether a slope that was to be left is not made worse than its limit, or than it was beyond it."""
        return not self.mends_tilt and not self.pushes_tilt_out

    @property
    def pushes_tilt_out(self) -> bool:
        """Whether a slope that was inside its limit, or was not measured, is turned beyond it: said, never silent."""
        if self.tilt_limit_mm_per_m is None:
            return False
        was, becomes = self.before.slope_mm_per_m, self.after.slope_mm_per_m
        if was is None or becomes is None:
            return self.turned_mm_per_m > self.tilt_limit_mm_per_m * (1.0 + HAIR_UM)
        if not self.mends_tilt:
            return becomes > max(was, self.tilt_limit_mm_per_m) * (1.0 + HAIR_UM)
        return self._slope_inside(was) is True and self.slope_inside is False

    @property
    def leaves_all(self) -> bool:
        """Whether the best that can be done is to touch nothing."""
        return all(move.travel_um == 0.0 for move in self.moves)

    def _slope_inside(self, slope: float | None) -> bool | None:
        if slope is None or self.tilt_limit_mm_per_m is None:
            return None
        return slope <= self.tilt_limit_mm_per_m * (1.0 + HAIR_UM)


def solve_moves(
    misalignment: Misalignment,
    adjusters: Sequence[Adjuster],
    limit_um: float,
    tilt_limit_mm_per_m: float | None = None,
    *,
    mends_tilt: bool = True,
) -> MoveSolution:
    """Work out the travel of each adjuster that leaves least, with whole shims, real steps and bounds.

    limit_um             limit of radial OFFSET, not of full indicator reading
    tilt_limit_mm_per_m  limit of the axis slope, or None
    mends_tilt           whether the slope, where limited, is proven out of its limit; else it is left as it is: no
                         adjuster along the ram is moved, and those across turn the station as little as can be

    The order of merit is told in `goal`: every seat and a limited slope inside where that can be had, else the worst
    seat's offset least, whatever the slope; a move that so pushes a slope out of its limit is marked and comes with
    the best that does not. Raises `CalcError` for limits that are zero, negative or beyond belief, and for more than
    16 adjusters.
    """
    require.number(check_limit(limit_um, field="limit_um"), "The limit in µm", "limit_um", 0.1, ABSURD_UM)
    if tilt_limit_mm_per_m is not None:
        check_limit(tilt_limit_mm_per_m, field="tilt_limit_mm_per_m")
        what = "The tilt limit in mm/m"
        require.number(tilt_limit_mm_per_m, what, "tilt_limit_mm_per_m", 0.001, _STEEPEST_MM_PER_M)
    if len(adjusters) > _MOST_ADJUSTERS:
        raise CalcError(f"A station can have at most {_MOST_ADJUSTERS} adjusters.", field="adjusters")
    body = mount(adjusters, misalignment.z_mm)
    limits = (limit_um, tilt_limit_mm_per_m)
    seats = tuple((seat.z_mm, seat.x_um, seat.y_um) for seat in misalignment.judged)
    goal = alignment_goal(
        adjusters, body, misalignment.z_mm, seats, misalignment.slopes, limits, mends_tilt=mends_tilt
    )
    wanted = goal.least_squares()
    target = _target(goal, adjusters, wanted)

    def chosen(*, keep_tilt: bool) -> MoveSolution:
        settings = choose(goal, adjusters, body, target, keep_tilt=keep_tilt)
        moves = [AdjusterMove(*each) for each in zip(adjusters, wanted.tolist(), settings, strict=True)]
        return replace(_judged(body, misalignment, limits, moves), mends_tilt=mends_tilt)

    best = chosen(keep_tilt=False)
    return replace(best, keeping_tilt=chosen(keep_tilt=True)) if best.pushes_tilt_out else best


def _judged(
    body: Mount, before: Misalignment, limits: tuple[float, float | None], moves: Sequence[AdjusterMove]
) -> MoveSolution:
    travel = np.array([move.travel_um for move in moves])
    motion = body.to_motion @ travel
    return MoveSolution(
        moves=tuple(moves),
        before=before,
        after=before.moved(motion),
        stuck=before.moved(body.to_motion @ [move.wanted_um for move in moves]),
        limit_um=limits[0],
        tilt_limit_mm_per_m=limits[1],
        endways_um=float(motion[2]),
        strain_um=float(np.abs(body.strain @ travel).max(initial=0.0)),
        turned_mm_per_m=math.hypot(*motion[3:].tolist()),
    )


def _target(goal: Goal, adjusters: Sequence[Adjuster], wanted: Floats) -> Floats:
    """Return the travel (n,) to round from: as wanted, or the best that lies within all bounds."""
    reach = np.array([adjuster.reach_um for adjuster in adjusters]).reshape(-1, 2)
    low, high = reach[:, 0], reach[:, 1]
    inside = bool(np.all((wanted >= low) & (wanted <= high)))
    return wanted if inside else goal.bounded(low, high)
