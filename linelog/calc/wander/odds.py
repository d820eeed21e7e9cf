"""The chance that places are out after so many strokes, from like draws of where they stand and what they do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.arrays import FloatArray, IntArray
from linelog.calc.wander.behaviour import Behaviours
from linelog.calc.wander.follow import JUMPS, READINGS, Moved, State, jump_chances, settled
from linelog.calc.wander.learn import Learned

DRAWS = 64
_LEAST = 1e-6  # variance, in limits squared: a thousandth of the limit, finer than any dial shows


@dataclass(frozen=True, slots=True)
class Drawn:
    """d draws each of n places, shapes (n, d), mean and creep (n, d, 2); `error` of a reading over the one said."""

    mean: FloatArray
    variance: FloatArray
    kinds: Behaviours
    error: FloatArray
    last: Moved


def draw(
    learned: Learned, kind: IntArray, kinds: Behaviours, last: Moved, states: Sequence[State], likely: FloatArray
) -> Drawn:
    """Draw evenly from what is known of n places: by error their states, and likely (e, n, k) of their readings."""
    odds = [
        share * scipy.special.softmax(fit + np.log(common[kind]), axis=1)
        for share, common, fit in zip(learned.likely, learned.common, likely, strict=True)
    ]
    steps = np.cumsum(np.concatenate(odds, axis=1), axis=1)
    steps /= steps[:, -1:]
    rows, width, k = np.arange(len(steps))[:, None], steps.shape[1], len(kinds)
    at = (np.arange(DRAWS) + 0.5) / DRAWS
    found = np.searchsorted((steps + 2.0 * rows).ravel(), (at + 2.0 * rows).ravel()).reshape(len(steps), DRAWS)
    chosen = np.clip(found - rows * width, 0, width - 1)
    mean = np.concatenate([one.mean for one in states], axis=1)[rows, chosen]
    variance = np.concatenate([one.variance for one in states], axis=1)[rows, chosen]
    which = chosen % k
    own = Behaviours(*(getattr(kinds, name)[which] for name in Behaviours.__slots__))
    return Drawn(mean, variance, own, learned.errors[chosen // k], last)


def chance(drawn: Drawn, strokes: FloatArray, jolts: FloatArray, reading_u: FloatArray | None = None) -> FloatArray:
    """Chance (n,) of being out after strokes and jolts (n,); with the said error of a reading, of being read so.

    P(|N(m, v I)| > 1) is the noncentral chi-square with two degrees of freedom.
    """
    own, s = drawn.kinds, strokes[:, None]
    mean = drawn.mean + own.creep * s[..., None] + settled(drawn.last, strokes, own.back, own.within)
    square, total = (mean**2).sum(axis=-1), np.zeros(drawn.variance.shape)
    walked = drawn.variance + own.walk * s
    noise = np.zeros(total.shape) if reading_u is None else (drawn.error * reading_u[:, None]) ** 2
    chances = jump_chances(own.rate * s + own.by_jolt * jolts[:, None])
    for share, wide in READINGS if reading_u is not None else ((1.0, 0.0),):
        for part, times in zip(chances, JUMPS, strict=True):
            variance = np.maximum(walked + times * own.jump + wide * noise, _LEAST)
            total += share * part * (1.0 - scipy.special.chndtr(1.0 / variance, 2.0, square / variance))
    return np.asarray(np.clip(total.mean(axis=1), 0.0, 1.0))
