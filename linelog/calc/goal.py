"""What a move is to bring to nothing, as one cost in micrometres.

    cost = sum over both directions of w + 20*max(0, w - limit) + small terms + 1 for each shim handled,
    w = max(|offset|, lever*|slope|)

The lever turns slope into micrometres so that offset and slope count alike: limit over tilt limit where there is
one (each then counts as a share of its own limit), else the spread of the adjusters. The larger of the two decides
whether a station is inside its limits, so that is what is brought down. Directions are those of the first adjuster
and square to it: with feet and side screws the two directions then fall apart exactly, and turning the whole
station turns the answer with it. Sums of sizes, not of squares: that is what a mixed-integer solver can take.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import lsq_linear

from linelog.calc.adjust import Adjuster, Mount
from linelog.calc.require import Floats

#: A piece put in or taken out must bring the station this much nearer, else it is left: less than that neither a
#: dial nor the tolerance of shim stock can tell. So the residual is least to 1 um, and then the pieces fewest.
PIECE_UM = 1.0

_OVER = 20.0  # beyond the limit: no saving of pieces is worth that
_SMALLER = 0.05  # the smaller of offset and slope: settled too, where that costs the larger one next to nothing
_ENDWAYS = 0.05  # a shift along the ram is no misalignment, but needless
_STRAIN = 2.0  # a soft foot is worse than the same offset
_TRAVEL = 1e-5  # of two moves that do the same, the shorter
_HOLD = 10.0  # an unmeasured slope: this many times the longest lever, so that changing it never pays

Slopes = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class Goal:
    """Residuals r = start + effect @ travel, all in um, and what they cost.

    start   (R,)     residuals before any move
    effect  (R, n)   what 1 um of each adjuster does to them
    weight  (R,)     cost of each |r|
    pull    (R,)     weight of each r in the least-squares target, before travels are rounded to what can be had
    worst   pairs of rows, offset and slope of one direction: the larger |r| of each pair, w, adds to the cost
    limit   of w, in um; beyond it each um costs `over` more
    """

    start: Floats
    effect: Floats
    weight: Floats
    pull: Floats
    worst: tuple[tuple[int, int], ...]
    limit: float
    over: float = _OVER

    def cost(self, columns: Sequence[Floats], travels: Sequence[Floats]) -> Floats:
        """Cost of travels that broadcast together, less what they do not touch.

        columns  (R,) each: effect of one travel, summed over the adjusters that share it
        travels  one array for each column
        """
        touched = {int(row) for column in columns for row in np.flatnonzero(column)}
        pairs = [pair for pair in self.worst if not touched.isdisjoint(pair)]
        size = {}
        for row in touched.union(*pairs):
            moved = [column[row] * t for column, t in zip(columns, travels, strict=True) if column[row]]
            size[row] = np.abs(sum(moved, start=self.start[row]))
        total = sum((self.weight[row] * size[row] for row in size), start=np.float64(0.0))
        for larger in [np.maximum(size[a], size[b]) for a, b in pairs]:
            total = total + larger + self.over * np.maximum(larger - self.limit, 0.0)
        return np.asarray(total)

    def least_squares(self) -> Floats:
        """Travel (n,) that brings most to nothing, shortest of all that do; bounds left out of account."""
        matrix, aim = self.effect * self.pull[:, None], -self.start * self.pull
        return np.asarray(np.linalg.lstsq(matrix, aim, rcond=1e-10)[0], dtype=np.float64)

    def bounded(self, low: Floats, high: Floats) -> Floats:
        """Return the same within bounds (n,); an adjuster with no travel stays."""
        free = high > low
        solved = np.zeros(len(low))
        if free.any():
            matrix, aim = self.effect[:, free] * self.pull[:, None], -self.start * self.pull
            solved[free] = lsq_linear(matrix, aim, (low[free], high[free]), tol=1e-12).x
        return solved


def alignment_goal(
    adjusters: Sequence[Adjuster],
    body: Mount,
    offset: tuple[float, float],
    slopes: Slopes,
    limits: tuple[float, float | None],
) -> Goal:
    """Build the goal of bringing a station with this offset (um) and slope (mm/m; None where not measured) true.

    limits are those of offset (um) and slope (mm/m; None where there is none).
    """
    known = [slope is not None for slope in slopes]
    # Where only one slope is known the directions must be x and y, else known and unknown would mix.
    frame = np.eye(2) if known[0] != known[1] else _own_frame(adjusters)
    own = body.turned(frame)
    limit, tilt_limit = limits
    per_slope = limit / tilt_limit if tilt_limit else _spread(adjusters) or 1.0
    lever = np.where(known, per_slope, _HOLD * _longest_lever(body))
    strain = own.strain
    strain = strain[np.abs(strain).max(axis=1, initial=0.0) > 1e-9]
    scale = np.concatenate([[1.0, 1.0, 1.0], lever])
    still = np.zeros(len(strain) + len(adjusters))
    start = np.concatenate([frame @ offset, [0.0], lever * (frame @ [slope or 0.0 for slope in slopes]), still])
    effect = np.vstack([own.to_motion * scale[:, None], strain, np.eye(len(adjusters))])
    effect[np.abs(effect) < 1e-10] = 0.0
    slope_cost = np.where(known, _SMALLER, 1.0 + _OVER)
    weight = [_SMALLER, _SMALLER, _ENDWAYS, *slope_cost, *[_STRAIN] * len(strain), *[_TRAVEL] * len(adjusters)]
    pull = [1.0, 1.0, _ENDWAYS, 1.0, 1.0, *[10.0] * len(strain), *[0.0] * len(adjusters)]
    worst = tuple((axis, axis + 3 if known[axis] else axis) for axis in (0, 1))
    return Goal(start, effect, np.array(weight), np.array(pull), worst, limit)


def _own_frame(adjusters: Sequence[Adjuster]) -> Floats:
    """Directions (2, 2) that turn with the station: the first adjuster's push across, else its tilt point."""
    across = [a.push[:2] for a in adjusters if a.tilt_at_mm is None]
    arms = [a.tilt_at_mm for a in adjusters if a.tilt_at_mm is not None and math.hypot(*a.tilt_at_mm) > 0.0]
    x, y = (across + arms + [(1.0, 0.0)])[0]
    size = math.hypot(x, y)
    frame = np.array([[x, y], [-y, x]]) / size
    frame[np.abs(frame) < 1e-12] = 0.0
    return frame


def _spread(adjusters: Sequence[Adjuster]) -> float:
    """Distance in mm over which the adjusters turn the station: between feet, or across the bolt circle."""
    heights = [a.z_mm for a in adjusters if a.tilt_at_mm is None]
    points = [a.tilt_at_mm for a in adjusters if a.tilt_at_mm is not None]
    across = [math.dist(a, b) for a in points for b in points]
    return max([0.0, *across, *([max(heights) - min(heights)] if heights else [])])


def _longest_lever(body: Mount) -> float:
    return float(np.abs(body.to_travel[:, 3:]).max(initial=1.0))
