"""What a move is to bring to nothing, and which of two moves leaves less: the order of merit.

1. everything inside its limits, where any move can do that: each seat's radial offset, and the slope where it has a
   limit;
2. the worst seat's radial offset, in either case: no slope keeps an offset from being mended;
3. the slope where it has a limit and is out of it; one that is not proven out is left as it is, so that the least
   turn counts instead; without a limit it weighs nothing at all;
4. the fewest shims handled, then the least shift along the ram, then the shortest travels.

What differs by less than `SAME_UM` counts as equal, in each direction and at each seat. Where the adjusters are more
than a rigid body can follow, the gap left (a foot that does not bear) counts twice beside the offset.

Directions are those of the first adjuster and square to it: with feet and side screws the two then fall apart
exactly, and turning the whole station turns the answer with it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.adjust import Adjuster, Mount
from linelog.calc.require import Floats

#: Offsets nearer than this are the same: no dial tells them apart.
SAME_UM = 0.5
#: A gap at a foot that the body does not follow counts so many times what it measures.
STRAIN = 2.0
#: A hair that rounding of sums may add to what lies exactly on a limit.
HAIR_UM = 1e-6

_TURN = 1e-4  # pull of a slope without limit: only to share a shift out between adjusters, against no offset
_ENDWAYS = 0.05

Slopes = tuple[float | None, float | None]
Seats = tuple[tuple[float, float, float], ...]  # z mm, x and y um of each


@dataclass(frozen=True, slots=True)
class Goal:
    """Residuals r = start + effect @ travel of a station.

    start   (R,)    two rows a seat in um; shift along the ram in um; slope both ways in mm/m; then strains in um
    effect  (R, n)  what 1 um of each adjuster does to them
    seats   number of seats; limit_um of each one's radial offset; tilt_limit of the slope, or None
    mends_tilt  whether a limited slope is to be brought to nothing; else it is to be turned as little as can be
    """

    start: Floats
    effect: Floats
    seats: int
    limit_um: float
    tilt_limit: float | None
    mends_tilt: bool = True

    @property
    def first_slope(self) -> int:
        """Row of the first slope; the second follows."""
        return 2 * self.seats + 1

    @property
    def counted(self) -> list[int]:
        """Rows that the merit rests on, shifts along the ram aside."""
        slopes = [self.first_slope, self.first_slope + 1] if self.tilt_limit else []
        return [*range(2 * self.seats), *slopes, *range(self.first_slope + 2, len(self.start))]

    def radial(self, rows: Floats) -> Floats:
        """Radial offset of each seat, (N, seats), from residuals (N, R)."""
        return np.hypot(rows[:, 0 : 2 * self.seats : 2], rows[:, 1 : 2 * self.seats : 2])

    def worst(self, rows: Floats) -> Floats:
        """Worst seat's radial offset and what the strain adds, (N,)."""
        strain = np.abs(rows[:, self.first_slope + 2 :]).max(axis=1, initial=0.0)
        return np.asarray(self.radial(rows).max(axis=1) + STRAIN * strain)

    def tilt(self, rows: Floats) -> Floats:
        """Slope where it has a limit, else nothing, (N,)."""
        if not self.tilt_limit:
            return np.zeros(len(rows))
        return np.hypot(rows[:, self.first_slope], rows[:, self.first_slope + 1])

    def against(self, moved: Floats) -> tuple[Floats, ...]:
        """Rows (N, R) whose slope counts against what moves a station so: all of it; first a turn, if it is left."""
        return (self.start + moved,) if self.mends_tilt else (moved, self.start + moved)

    @property
    def tilt_room(self) -> float:
        """How large the slope may be after a move: its limit, or as it was where it is to be left; 0 without one."""
        if not self.tilt_limit:
            return 0.0
        return self.tilt_limit if self.mends_tilt else max(self.tilt_limit, float(self.tilt(self.start[None])[0]))

    def inside(self, rows: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """Whether every seat and the slope lie inside their limits, (N,)."""
        offsets = self.radial(rows).max(axis=1) <= self.limit_um + HAIR_UM
        return np.asarray(offsets & (self.tilt(rows) <= self.tilt_room * (1.0 + HAIR_UM)))

    @property
    def same_tilt(self) -> float:
        """Difference of slope that is none: as large a share of its limit as `SAME_UM` is of the offset's."""
        return SAME_UM * (self.tilt_limit or 0.0) / self.limit_um

    @property
    def pull(self) -> Floats:
        """Weights (R,) of the least-squares target: before travels are rounded to what can be had."""
        lever = self.limit_um / self.tilt_limit if self.tilt_limit else _TURN
        strains = len(self.start) - self.first_slope - 2
        return np.array([*[1.0] * (2 * self.seats), _ENDWAYS, lever, lever, *[10.0] * strains])

    def least_squares(self) -> Floats:
        """Travel (n,) that brings most to nothing, shortest of all that do; bounds left out of account."""
        matrix, aim = self.effect * self.pull[:, None], -self._aim * self.pull
        return np.asarray(np.linalg.lstsq(matrix, aim, rcond=1e-10)[0], dtype=np.float64)

    def bounded(self, low: Floats, high: Floats) -> Floats:
        """Return the same within bounds (n,); an adjuster with no travel stays."""
        free = high > low
        solved = np.zeros(len(low))
        if free.any():
            matrix, aim = self.effect[:, free] * self.pull[:, None], -self._aim * self.pull
            solved[free] = scipy.optimize.lsq_linear(matrix, aim, (low[free], high[free]), tol=1e-12).x
        return solved

    @property
    def _aim(self) -> Floats:
        """Where travels start from: a slope without limit is as good as any, and stays, as does one to be left."""
        aim = self.start.copy()
        if not (self.tilt_limit and self.mends_tilt):
            aim[self.first_slope : self.first_slope + 2] = 0.0
        return aim


def alignment_goal(
    adjusters: Sequence[Adjuster],
    body: Mount,
    z0_mm: float,
    seats: Seats,
    slopes: Slopes,
    limits: tuple[float, float | None],
    *,
    mends_tilt: bool = True,
) -> Goal:
    """Build the goal of bringing a station true.

    seats   z and offset of each seat that is judged; slopes in mm/m, one that was not measured counts as nought, so
            that with a limit of the slope no move turns it by more
    limits  those of offset (um) and slope (mm/m; None where there is none)
    mends_tilt  whether a limited slope is to be mended: else no adjuster along the ram is moved
    """
    frame = _own_frame(adjusters)
    own = body.turned(frame)
    moved, turned = own.to_motion[:2], own.to_motion[3:]
    strain = own.strain
    strain = strain[np.abs(strain).max(axis=1, initial=0.0) > 1e-9]
    effect = np.vstack([*(moved + turned * (z - z0_mm) for z, _, _ in seats), own.to_motion[2:3], turned, strain])
    effect[np.abs(effect) < 1e-10] = 0.0
    if limits[1] and not mends_tilt:
        effect[:, [adjuster.tilt_at_mm is not None for adjuster in adjusters]] = 0.0
    offsets = np.concatenate([frame @ [x, y] for _, x, y in seats])
    start = np.concatenate([offsets, [0.0], frame @ [slope or 0.0 for slope in slopes], np.zeros(len(strain))])
    return Goal(start, effect, len(seats), *limits, mends_tilt=mends_tilt)


def _own_frame(adjusters: Sequence[Adjuster]) -> Floats:
    """Directions (2, 2) that turn with the station: the first adjuster's push across, else its tilt point."""
    across = [a.push[:2] for a in adjusters if a.tilt_at_mm is None]
    arms = [a.tilt_at_mm for a in adjusters if a.tilt_at_mm is not None and math.hypot(*a.tilt_at_mm) > 0.0]
    x, y = (across + arms + [(1.0, 0.0)])[0]
    size = math.hypot(x, y)
    frame = np.array([[x, y], [-y, x]]) / size
    frame[np.abs(frame) < 1e-12] = 0.0
    return frame
