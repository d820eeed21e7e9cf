"""Control charts: rates against three-sigma limits, and EWMA.

A point signals only beyond its limit: one that lies on it does not. Arrays run in time order. Where the limits shall
rest on a stretch known to be good, `baseline` marks it (shape (n,), at least one True); else they rest on all points.
Sources: NIST/SEMATECH e-Handbook of Statistical Methods, chapter 6.3; Montgomery, Introduction to Statistical
Quality Control; Laney, Quality Engineering 14 (2002) 531.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import (
    BoolArray,
    FloatArray,
    IntArray,
    counts_and_cans,
    numbers,
    one_number,
    same_length,
)
from linelog.calc.errors import CalcError
from linelog.calc.rates import MILLION, dispersion

_SIGMAS = 3.0
# For ranges of two, rounded as the standard tables print them (ASTM E2587; e-Handbook 6.3.2.2).
_RANGE_OVER_SIGMA = 1.128


@dataclass(frozen=True, slots=True)
class Chart:
    """Points with centre and limits, in the unit of the points.

    values, lower, upper  shape (n,); beyond (n,) is True outside the limits, `starts` holds where each run of such
                          points begins
    widening              factor on three sigma: 1, or Laney's where the counts scatter more than Poisson counts
    """

    name: str
    values: FloatArray
    centre: float
    lower: FloatArray
    upper: FloatArray
    beyond: BoolArray
    widening: float = 1.0

    @property
    def starts(self) -> IntArray:
        """Index of the first point of each unbroken run beyond the limits."""
        return run_starts(self.beyond)


def u_chart(
    counts: ArrayLike,
    cans: ArrayLike,
    *,
    per: float = MILLION,
    centre: float | None = None,
    baseline: ArrayLike | None = None,
    laney: bool = False,
) -> Chart:
    """Rates with limits for each subgroup's own number of cans: centre +- 3*sqrt(centre/cans), not below zero.

    counts, cans  shape (n,); cans may be one number for all, and need not be whole
    per           cans that the rates are for
    centre        a rate per `per` to hold the points against, in place of that of the baseline
    laney         widen the limits by the moving range of the standardised rates (two points at least)
    No counts at all give limits at zero and no point beyond.
    """
    seen, made = counts_and_cans(counts, cans)
    unit = one_number(per, "The cans that rates are for", "per", above=0.0)
    chosen = _baseline(baseline, len(seen))
    middle = _centre(seen, made, chosen, None if centre is None else centre / unit)
    widening = _laney(seen, made, middle, chosen) if laney else 1.0
    reach = _SIGMAS * widening * np.sqrt(middle / made)
    name, lower, upper = "u'" if laney else "u", (middle - reach) * unit, (middle + reach) * unit
    return _chart(name, seen / made * unit, middle * unit, lower, upper, widening)


def rate_chart(
    counts: ArrayLike, cans: ArrayLike, *, per: float = MILLION, baseline: ArrayLike | None = None
) -> Chart:
    """Return a u chart, or Laney's where one Poisson rate does not explain the scatter of the baseline (1 % level).

    Laney's limits are taken only where they are the wider ones: a slow wander of the rate makes neighbours alike, and
    would narrow them.
    """
    seen, made = counts_and_cans(counts, cans)
    chosen = _baseline(baseline, len(seen))
    if _has_neighbours(chosen) and dispersion(seen[chosen], made[chosen]).too_wide:
        wide = u_chart(seen, made, per=per, baseline=chosen, laney=True)
        if wide.widening > 1.0:
            return wide
    return u_chart(seen, made, per=per, baseline=chosen)


def standardised(
    counts: ArrayLike,
    cans: ArrayLike,
    *,
    centre: float | None = None,
    baseline: ArrayLike | None = None,
    laney: bool = False,
) -> FloatArray:
    """Rates as distances from the centre in their own sigmas, shape (n,): what EWMA and CUSUM take, with sigma 1.

    centre  per million cans; as in `u_chart`. With few counts in each subgroup (below about five) the distances
    lean to the upper side, and the charts built on them signal more often than their tables say.
    """
    seen, made = counts_and_cans(counts, cans)
    chosen = _baseline(baseline, len(seen))
    middle = _centre(seen, made, chosen, None if centre is None else centre / MILLION)
    widening = _laney(seen, made, middle, chosen) if laney else 1.0
    return _distances(seen, made, middle) / (widening or 1.0)  # 0 where the baseline does not scatter at all


def ewma_chart(
    values: ArrayLike, *, target: float, sigma: float, weight: float = 0.2, width: float = 3.0, steady: bool = False
) -> Chart:
    """Exponentially weighted means z = weight*x + (1 - weight)*z_before, starting from the target.

    sigma   of one value, above zero
    width   of the limits in sigmas of z; `steady` takes the limits of a long run from the first point on, else they
            open with the number of points
    """
    points = numbers(values, "Values", "values")
    aim = one_number(target, "The target", "target")
    size = one_number(sigma, "Sigma", "sigma", above=0.0)
    share = one_number(weight, "The weight", "weight", above=0.0, below=1.0)
    means, _ = scipy.signal.lfilter([share], [1.0, share - 1.0], points, zi=[(1.0 - share) * aim])
    opened = 1.0 if steady else 1.0 - (1.0 - share) ** (2.0 * np.arange(1, len(points) + 1))
    wide = one_number(width, "The width", "width", above=0.0)
    reach = wide * size * np.sqrt(share / (2.0 - share) * opened) * np.ones(len(points))
    return _chart("EWMA", np.asarray(means), aim, aim - reach, aim + reach, floor=-math.inf)


def _baseline(baseline: ArrayLike | None, points: int) -> BoolArray:
    chosen = np.ones(points, dtype=bool) if baseline is None else np.atleast_1d(np.asarray(baseline, dtype=bool))
    same_length([np.ones(points), chosen.astype(float)], "baseline")
    if not chosen.any():
        raise CalcError("The limits need at least one point to rest on.", field="baseline")
    return chosen


def _centre(counts: FloatArray, cans: FloatArray, chosen: BoolArray, given: float | None) -> float:
    if given is None:
        return float(counts[chosen].sum() / cans[chosen].sum())
    return one_number(given, "The centre", "centre", above=0.0)


def _distances(counts: FloatArray, cans: FloatArray, centre: float) -> FloatArray:
    if centre == 0.0:  # nothing counted in the baseline: there is no sigma to measure by
        if counts.any():
            raise CalcError("Nothing was counted in the time the limits rest on.", field="baseline")
        return np.zeros(len(counts))
    return np.asarray((counts - centre * cans) / np.sqrt(centre * cans))


def _laney(counts: FloatArray, cans: FloatArray, centre: float, chosen: BoolArray) -> float:
    return _mean_range(_distances(counts, cans, centre), chosen) / _RANGE_OVER_SIGMA


def _mean_range(points: FloatArray, chosen: BoolArray) -> float:
    if not _has_neighbours(chosen):
        raise CalcError("The scatter from point to point needs two neighbours to rest on.", field="baseline")
    return float(np.abs(np.diff(points))[chosen[1:] & chosen[:-1]].mean())


def _has_neighbours(chosen: BoolArray) -> bool:
    return bool((chosen[1:] & chosen[:-1]).any())


def _chart(
    name: str,
    values: FloatArray,
    centre: float,
    lower: FloatArray,
    upper: FloatArray,
    widening: float = 1.0,
    *,
    floor: float = 0.0,
) -> Chart:
    lowest = np.maximum(lower, floor)
    slack = 1e-9 * np.maximum(np.abs(upper), np.abs(lowest))  # rounding must not push a point over its limit
    beyond = (values > upper + slack) | (values < lowest - slack)
    return Chart(name, values, centre, lowest, upper, beyond, widening)


def run_starts(beyond: BoolArray) -> IntArray:
    """Index of the first True of each unbroken run, for a mask of shape (n,)."""
    return np.flatnonzero(beyond & ~np.concatenate([[False], beyond[:-1]])).astype(np.int64)
