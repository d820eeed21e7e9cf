"""The curve of what was said: in bands of the chance, how many were found out, with an interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.arrays import BoolArray, FloatArray, IntArray

EDGES = (0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1.0)


@dataclass(frozen=True, slots=True)
class Band:
    """Of `number` places with a chance from `least` to `most`, `expected` were to be found out and `out` were.

    low, high  95 % interval of the share that is found out, for tellers that hang together in machines
    """

    least: float
    most: float
    number: int
    expected: float
    out: int
    low: float
    high: float


def bands(said: FloatArray, out: BoolArray, machine: IntArray) -> list[Band]:
    """Return the bands that hold anything; shapes (m,).

    The interval is exact (Clopper and Pearson 1934) on the counts divided by how much more the machines differ than
    chance would make them (design effect; Korn and Graubard 1998).
    """
    which = np.clip(np.searchsorted(EDGES, said, side="right") - 1, 0, len(EDGES) - 2)
    found = []
    for band in np.unique(which).tolist():
        at = which == band
        number, true = int(at.sum()), int(out[at].sum())
        many = max(number / _wider(out[at], machine[at]), 1.0)
        low, high = _exact(many * true / number, many)
        found.append(Band(EDGES[band], EDGES[band + 1], number, float(said[at].sum()), true, low, high))
    return found


def _wider(out: BoolArray, machine: IntArray) -> float:
    """How many times the variance of the count is that of independent tellers, by machine; one at the least."""
    names, group = np.unique(machine, return_inverse=True)
    if len(names) < 2:
        return 1.0
    off = np.bincount(group, weights=out - out.mean())
    own = len(out) * out.mean() * (1.0 - out.mean())
    clustered = float((off**2).sum()) * len(names) / (len(names) - 1)
    return max(clustered / own, 1.0) if own > 0.0 else 1.0


def _exact(true: float, number: float) -> tuple[float, float]:
    low = scipy.special.betaincinv(true, number - true + 1.0, 0.025) if true > 0.0 else 0.0
    high = scipy.special.betaincinv(true + 1.0, number - true, 0.975) if true < number else 1.0
    return float(low), float(high)
