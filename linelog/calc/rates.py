"""Counts per million cans: exact intervals, two rates compared, what chance alone allows.

Counts are taken as Poisson with the cans as exposure. Levels are two-sided, 95 % where nothing else is said.
"""

from dataclasses import dataclass
from enum import Enum

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import (
    FloatArray,
    cans_of,
    counts_and_cans,
    counts_of,
    level_of,
    same_length,
)

MILLION = 1_000_000.0
_ENOUGH = 1e4  # counts beyond which a rate is as good as known, and the normal curve as good as Poisson's


@dataclass(frozen=True, slots=True)
class Rates:
    """Rates per million cans with their exact interval, each of shape (n,), and the cans they rest on."""

    rate: FloatArray
    low: FloatArray
    high: FloatArray
    counts: FloatArray
    cans: FloatArray


def rates_per_million(counts: ArrayLike, cans: ArrayLike, *, level: float = 0.95) -> Rates:
    """Rate per million cans with the exact central (Garwood) interval, for each of n counts.

    counts, cans  shape (n,), or one number of cans for all. No cans raise `CalcError`; no counts give 0 with an
    interval from 0 to what chance still allows (3.69 counts at 95 %).
    Source: Garwood, Biometrika 28 (1936) 437.
    """
    from statsmodels.stats import rates

    checked, rested = counts_and_cans(counts, cans)
    low, high = rates.confint_poisson(checked, 1.0, method="exact-c", alpha=1.0 - level_of(level))
    scale = MILLION / rested
    return Rates(checked * scale, np.atleast_1d(low) * scale, np.atleast_1d(high) * scale, checked, rested)


class Change(Enum):
    """What the exact interval of a ratio says."""

    HIGHER = "higher"
    LOWER = "lower"
    NOT_SHOWN = "no difference shown"


@dataclass(frozen=True, slots=True)
class RateRatio:
    """A rate over a base rate.

    ratio, high  None where nothing was counted on the base side: there is no upper end then
    low, high    exact conditional interval (Clopper-Pearson on the share of the counts)
    p            exact, two-sided: twice the smaller tail, so that it agrees with the exact interval
    p_higher     exact, one-sided: chance of at least this many if the rates were equal
    """

    ratio: float | None
    low: float
    high: float | None
    p: float
    p_higher: float

    @property
    def change(self) -> Change:
        """Higher or lower only where the exact interval leaves out 1."""
        if self.low > 1.0:
            return Change.HIGHER
        return Change.LOWER if self.high is not None and self.high < 1.0 else Change.NOT_SHOWN


def rate_ratio(count: float, cans: float, base_count: float, base_cans: float, *, level: float = 0.95) -> RateRatio:
    """One rate over one base rate; see `rate_ratios`."""
    return rate_ratios(count, cans, base_count, base_cans, level=level)[0]


def rate_ratios(
    counts: ArrayLike, cans: ArrayLike, base_counts: ArrayLike, base_cans: ArrayLike, *, level: float = 0.95
) -> tuple[RateRatio, ...]:
    """Ratios of n pairs of rates, each array of shape (n,) or one number for all of `cans` or `base_cans`.

    Given their sum, the counts are binomial, and the share of the first says all about the ratio. Two zero counts
    give no ratio, an interval from 0 without an upper end, and p = 1. No cans on a side raise `CalcError`.
    Source: Przyborowski & Wilenski, Biometrika 31 (1940) 313; the exact method of Gu, Ng, Tang & Schucany,
    Biometrical Journal 50 (2008) 283.
    """
    y1, n1 = counts_and_cans(counts, cans)
    y2, n2 = counts_of(base_counts, "base_counts"), cans_of(base_cans, "base_cans")
    n2 = np.full(len(y2), n2[0]) if len(n2) == 1 else n2
    same_length([y1, n1, y2, n2], "base_counts")
    low, high = _odds_interval(y1, y2, 1.0 - level_of(level))
    share, scale = n1 / (n1 + n2), n2 / n1
    p_higher = np.asarray(scipy.stats.binom.sf(y1 - 1.0, y1 + y2, share))
    p_lower = scipy.stats.binom.cdf(y1, y1 + y2, share)
    p = np.asarray(np.minimum(1.0, 2.0 * np.minimum(p_higher, p_lower)))
    columns = (y1, y2, low * scale, high * scale, p, p_higher, scale)
    return tuple(_ratio(*row) for row in zip(*(column.tolist() for column in columns), strict=True))


def _odds_interval(y1: FloatArray, y2: FloatArray, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Interval of share/(1 - share); the upper end holds 0 where y2 is 0, for `_ratio` to leave out."""
    from statsmodels.stats import proportion

    total = np.maximum(y1 + y2, 1.0)  # two zeros say as much as none of one: nothing
    low1, high1 = proportion.proportion_confint(y1, total, alpha=alpha, method="beta")
    low2, high2 = proportion.proportion_confint(y2, total, alpha=alpha, method="beta")
    low = np.where(y1 > 0.0, low1 / np.where(y1 > 0.0, high2, 1.0), 0.0)
    high = np.where(y2 > 0.0, high1 / np.where(y2 > 0.0, low2, 1.0), 0.0)
    return low, high


def _ratio(y1: float, y2: float, low: float, high: float, p: float, p_higher: float, scale: float) -> RateRatio:
    return RateRatio(y1 / y2 * scale if y2 else None, low, high if y2 else None, p, p_higher)


def poisson_quantile(chance: ArrayLike, mean: ArrayLike) -> FloatArray:
    """Smallest count with at least this chance of it or fewer, for arrays of one shape or one of them a number.

    Above a mean of 10,000 from the normal curve with its first correction for skewness (Cornish & Fisher), which is
    off by a count at most there, and holds where the exact search no longer ends.
    """
    share, about = np.broadcast_arrays(np.asarray(chance, dtype=np.float64), np.asarray(mean, dtype=np.float64))
    z = scipy.stats.norm.ppf(share)
    large = np.ceil(about + z * np.sqrt(about) + (z**2 - 1.0) / 6.0 - 0.5)
    exact = scipy.stats.poisson.ppf(share, np.minimum(about, _ENOUGH))
    return np.asarray(np.where(about > _ENOUGH, large, exact))


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Variance over that of Poisson counts: about 1 by chance alone, above it where counts come in clusters.

    p is the chance of an index at least this large if the counts were Poisson with one rate; dof = n - 1.
    """

    index: float
    dof: int
    p: float

    @property
    def too_wide(self) -> bool:
        """Whether one Poisson rate does not explain the scatter (1 % level)."""
        return self.p < 0.01


def dispersion(counts: ArrayLike, cans: ArrayLike) -> Dispersion:
    """Index of dispersion of n >= 2 counts with their cans: Pearson's chi-square over n - 1.

    No counts at all give an index of 1. Source: Fisher, Statistical Methods for Research Workers (1925), section 16,
    with the expected counts in proportion to the cans.
    """
    seen, made = counts_and_cans(counts, cans, least=2)
    dof = len(seen) - 1
    if not seen.any():
        return Dispersion(1.0, dof, 1.0)
    square, p = scipy.stats.chisquare(seen, made * (seen.sum() / made.sum()))
    return Dispersion(float(square) / dof, dof, float(p))
