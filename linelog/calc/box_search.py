"""All settings of a few adjusters that keep given residuals within bounds.

The residuals, each as a share of its bound, are brought to triangular form (QR with pivoting), so that each adjuster
in turn has an interval that its travel must lie in: the closest-point search in a lattice (Schnorr and Euchner,
Mathematical Programming 66, 1994, from memory), a whole front of partial settings at a time. Adjusters of which there
are more than residuals are tried at every travel they have.
"""

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from linelog.calc.require import Floats

_FRONT = 40_000  # partial settings at once
_FREE = 5_000  # combinations of travels that no residual holds
_FLAT = 1e-9  # a pivot smaller than this holds nothing

Rungs = NDArray[np.int64]


class Triangle:
    """effect (R, n) and start (R,) over bounds (R,), brought to triangular form, last adjuster first."""

    def __init__(self, effect: Floats, start: Floats, bound: Floats) -> None:
        matrix = effect / bound[:, None]
        q, r, order = scipy.linalg.qr(matrix, mode="economic", pivoting=True)
        aim = -(start / bound)
        self.factor, self.order = r, order
        self.aim: Floats = q.T @ aim
        self.beyond = float(aim @ aim - self.aim @ self.aim)  # what no travel reaches
        small = _FLAT * max(1.0, abs(float(r[0, 0])))
        self.held = [level < len(r) and abs(float(r[level, level])) > small for level in range(effect.shape[1])]


def within(triangle: Triangle, ladders: Sequence[Floats], target: Floats, radius2: float) -> Rungs:
    """Return the settings (N, n) whose residuals, as shares of their bounds, have squares of at most radius2 in all.

    target (n,): where rungs are left out, because no residual holds so many adjusters, those nearest it stay.
    """
    free = sum(not held for held in triangle.held)
    most_free = max(2, int(_FREE ** (1.0 / free))) if free else 0
    chosen = np.zeros((1, len(ladders)), dtype=np.int64)
    sums = np.zeros((1, len(triangle.aim)))
    used = np.full(1, triangle.beyond)
    radius2 = radius2 * (1.0 + 1e-9) + 1e-12
    for level in reversed(range(len(ladders))):
        place = int(triangle.order[level])
        travels, factor = ladders[place], triangle.factor[:, level]
        if triangle.held[level]:
            centre = (triangle.aim[level] - sums[:, level]) / factor[level]
            half = np.sqrt(np.maximum(radius2 - used, 0.0)) / abs(factor[level]) + 1e-9
            centre, half = np.clip(centre, -1e9, 1e9), np.minimum(half, 1e9)
            first, last = np.searchsorted(travels, centre - half), np.searchsorted(travels, centre + half, "right")
            first, last = _fewer(first, last, np.searchsorted(travels, centre))
        else:
            middle = int(np.argmin(np.abs(travels - target[place])))
            low = max(0, min(middle - most_free // 2, len(travels) - most_free))
            first, last = (np.full(len(chosen), end) for end in (low, min(len(travels), low + most_free)))
        counts = last - first
        parent = np.repeat(np.arange(len(chosen)), counts)
        rung = np.arange(len(parent)) - np.repeat(np.cumsum(counts) - counts, counts) + first[parent]
        chosen, sums = chosen[parent], sums[parent] + travels[rung][:, None] * factor
        chosen[:, place] = rung
        if level < len(triangle.aim):
            used = used[parent] + (sums[:, level] - triangle.aim[level]) ** 2
        else:
            used = used[parent]
    return chosen[used <= radius2]


def _fewer(first: Rungs, last: Rungs, middle: Rungs) -> tuple[Rungs, Rungs]:
    """Narrow the intervals about their middles where there would be too many settings at once."""
    if int((last - first).sum()) <= _FRONT:
        return first, last
    half = max(1, _FRONT // (2 * len(first)))
    return np.maximum(first, middle - half), np.minimum(last, middle + half)
