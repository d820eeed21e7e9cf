"""What a place may do between visits: a few hundred behaviours, evenly spread over what is thought possible."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy

from linelog.calc.arrays import FloatArray

NUMBER = 256
_OVER = 25.0  # million strokes between two visits, more or less: what the ranges below are set for


@dataclass(frozen=True, slots=True)
class Behaviours:
    """k behaviours; shares of the limit and million strokes.

    creep    (k, 2) a million strokes; walk (k,): variance a million strokes in each direction
    rate     (k,) jumps a million strokes; by_jolt (k,): jumps a jam or crash that was written down
    jump     (k,) variance of a jump in each direction
    back     (k,) share of a move that settles back, within (k,) so many million strokes
    """

    creep: FloatArray
    walk: FloatArray
    rate: FloatArray
    by_jolt: FloatArray
    jump: FloatArray
    back: FloatArray
    within: FloatArray

    def __len__(self) -> int:
        return len(self.walk)


@cache
def behaviours() -> Behaviours:
    """Return behaviours from next to nothing to far beyond the limit (Sobol points; middles and spreads: no source).

    Over 25 million strokes the middle one creeps 0.05 of its limit, walks 0.12, and jumps 0.35 times by 0.25.
    """
    points = scipy.stats.qmc.Sobol(9, seed=20261201).random(NUMBER)
    draws = scipy.special.ndtri(np.clip(points, 1e-6, 1.0 - 1e-6))

    def log(column: int, middle: float, spread: float) -> FloatArray:
        return np.asarray(middle * np.exp(spread * draws[:, column]))

    return Behaviours(
        creep=log(0, 0.05, 1.0)[:, None] * draws[:, 1:3] / _OVER,
        walk=log(3, 0.12, 0.9) ** 2 / _OVER,
        rate=log(4, 0.35, 1.0) / _OVER,
        by_jolt=scipy.special.expit(1.5 * draws[:, 5] - 0.5),
        jump=log(6, 0.25, 0.6) ** 2,
        back=np.clip(0.25 * draws[:, 7], 0.0, 0.6),  # half of them do not settle
        within=log(8, 3.0, 0.7),
    )
