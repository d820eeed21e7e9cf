"""Tabular CUSUM: small lasting shifts of the mean, with the point they began at.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3; Montgomery, Introduction to Statistical Quality
Control, chapter 9.
"""

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike

from linelog.calc.arrays import BoolArray, FloatArray, IntArray, numbers, one_number
from linelog.calc.control import run_starts


class AfterSignal(Enum):
    """What a CUSUM does once it has signalled."""

    KEEP_ADDING = "keep adding"
    START_AGAIN = "start again"  # both sums from zero with the next point


@dataclass(frozen=True, slots=True)
class Shift:
    """A signal of a CUSUM: at `index` the mean was found to have moved, most likely from `first_index` on."""

    index: int
    up: bool
    first_index: int
    new_mean: float


@dataclass(frozen=True, slots=True)
class Cusum:
    """Upper and lower sums, shape (n,), in the unit of the values, and the limit both are held against.

    run_up, run_down  points since the sum last was zero; above, below (n,) True beyond the limit
    shifts            the first point of each run beyond the limit
    """

    upper: FloatArray
    lower: FloatArray
    run_up: IntArray
    run_down: IntArray
    limit: float
    above: BoolArray
    below: BoolArray
    shifts: tuple[Shift, ...]


def cusum(
    values: ArrayLike,
    *,
    target: float,
    sigma: float,
    k: float = 0.5,
    h: float = 5.0,
    after: AfterSignal = AfterSignal.KEEP_ADDING,
) -> Cusum:
    """Tabular CUSUM: upper = max(0, x - (target + k*sigma) + upper_before), and its mirror image below.

    values  shape (n,); k, h in sigmas, both above zero (with sigma = 1 they are in the unit of the values)
    A signal's first index is where the sum left zero; the new mean is target + k*sigma + upper/run_up.
    """
    points = numbers(values, "Values", "values")
    aim = one_number(target, "The target", "target")
    size = one_number(sigma, "Sigma", "sigma", above=0.0)
    slack = size * one_number(k, "k", "k", above=0.0)
    limit = size * one_number(h, "h", "h", above=0.0)
    again = after is AfterSignal.START_AGAIN
    table = _cusum_table((points - aim).tolist(), slack, limit, again=again)
    upper, lower = table[:, 0], table[:, 1]
    run_up, run_down = table[:, 2].astype(np.int64), table[:, 3].astype(np.int64)
    above, below = upper > limit, lower > limit
    ups = [_shift(i, True, aim + slack, upper[i], run_up[i]) for i in _signals(above, again)]
    downs = [_shift(i, False, aim - slack, -lower[i], run_down[i]) for i in _signals(below, again)]
    shifts = tuple(sorted([*ups, *downs], key=lambda shift: shift.index))
    return Cusum(upper, lower, run_up, run_down, limit, above, below, shifts)


def _cusum_table(excess: list[float], slack: float, limit: float, *, again: bool) -> FloatArray:
    rows = []
    up = down = 0.0
    run_up = run_down = 0
    for x in excess:
        up, down = max(0.0, up + x - slack), max(0.0, down - x - slack)
        run_up, run_down = (run_up + 1 if up else 0), (run_down + 1 if down else 0)
        rows.append((up, down, run_up, run_down))
        if again and (up > limit or down > limit):
            up = down = 0.0
            run_up = run_down = 0
    return np.array(rows)


def _signals(beyond: BoolArray, again: bool) -> list[int]:
    """Points to report: all where the sums start again after each, else the first of each run."""
    return [int(i) for i in (np.flatnonzero(beyond) if again else run_starts(beyond))]


def _shift(index: int, up: bool, edge: float, total: float, run: int) -> Shift:
    return Shift(index, up, index - int(run) + 1, float(edge + total / run))
