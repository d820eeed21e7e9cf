"""What a visit to a place would save: how much farther out it would stand later if nobody came.

A visit reads the place, and puts it right by what it read. Where it stands now, what it does between visits and the
error of the reading are drawn together, so that a place that wanders fast is not taken to stay where it was put.
Derived; no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy

from linelog.calc.arrays import FloatArray
from linelog.calc.loss import MOST_SEVERE
from linelog.calc.wander.follow import settled
from linelog.calc.wander.odds import DRAWS, Drawn

#: Million strokes over which a visit is worth anything: about two months of a machine. Own choice, from `bench_plan`.
HORIZON = 24.0
_LOOKS = (0.125, 0.375, 0.625, 0.875)  # shares of it at which it is looked at
_EACH = 4  # chances for each draw
_SEED = 20261201


@dataclass(frozen=True, slots=True)
class Saved:
    """Of n places and so many chances (n, c), in limits.

    far    how far out it is; found: how far out a visit reads it to be
    stays  how far out it stands in the mean of the horizon where it is left as it is; limits: how much nearer to true
           where the visit puts it right
    """

    far: FloatArray
    found: FloatArray
    stays: FloatArray
    limits: FloatArray


@cache
def _chances() -> tuple[FloatArray, FloatArray]:
    """Return normal chances (d, 13) and even ones (d, 2), the same for each place: they differ by what is known."""
    points = scipy.stats.qmc.Sobol(15, seed=_SEED).random(DRAWS * _EACH)
    return scipy.special.ndtri(np.clip(points[:, :13], 1e-6, 1.0 - 1e-6)), points[:, 13:]


def saved(drawn: Drawn, strokes: FloatArray, jolts: FloatArray, reading_u: FloatArray) -> Saved:
    """Return what a visit would save after strokes and jolts (n,) since the last one.

    reading_u  said standard uncertainty of a reading, shares of the limit, shape (n,)
    """
    normal, even = _chances()
    at = np.tile(np.arange(DRAWS), _EACH)
    own, s = drawn.kinds, strokes[:, None]
    creep, walk, rate = own.creep[:, at], own.walk[:, at], own.rate[:, at]
    mean = drawn.mean + own.creep * s[..., None] + settled(drawn.last, strokes, own.back, own.within)
    jumps = _jumps(even[:, 0], rate * s + own.by_jolt[:, at] * jolts[:, None])
    spread = np.sqrt(np.maximum(drawn.variance[:, at] + walk * s + jumps * own.jump[:, at], 0.0))
    here = mean[:, at] + spread[..., None] * normal[:, :2]
    error = (drawn.error[:, at] * reading_u[:, None])[..., None] * normal[:, 2:4]
    gone = np.zeros(here.shape)
    stays, limits, before = np.zeros(spread.shape), np.zeros(spread.shape), 0.0
    for number, share in enumerate(_LOOKS):
        step = share * HORIZON - before
        before = share * HORIZON
        wide = walk * step + _jumps(np.mod(even[:, 1] + number * 0.618, 1.0), rate * step) * own.jump[:, at]
        gone += creep * step + np.sqrt(wide)[..., None] * normal[:, 4 + 2 * number : 6 + 2 * number]
        there = _far(here + gone)
        stays += there / len(_LOOKS)
        limits += (there - _far(gone - error)) / len(_LOOKS)
    return Saved(_far(here), _far(here + error), stays, limits)


def _far(offset: FloatArray) -> FloatArray:
    return np.asarray(np.minimum(np.hypot(*np.moveaxis(offset, 2, 0)), MOST_SEVERE))


def _jumps(even: FloatArray, often: FloatArray) -> FloatArray:
    """Draw how many jumps there are where so many are expected (Poisson, three at the most)."""
    none = np.exp(-often)
    one, two = none * (1.0 + often), none * (1.0 + often + often**2 / 2.0)
    return np.asarray((even > none) * 1.0 + (even > one) + (even > two))
