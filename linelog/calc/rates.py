"""Counts per million cans: exact intervals, two rates compared, what chance alone allows, how many cans are needed.

Counts are taken as Poisson with the cans as exposure. Levels are two-sided, 95 % where nothing else is said.
"""

import math
from collections.abc import Callable
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
    not_negative,
    one_number,
    same_length,
)
from linelog.calc.errors import CalcError

MILLION = 1_000_000.0
_FARTHEST = 1e3  # cans afterwards as a multiple of those before, beyond which more of them tell nothing new
_ENOUGH = 1e4  # counts beyond which a rate is as good as known, and the normal curve as good as Poisson's
_MIDPOINTS = (np.arange(151) + 0.5) / 151.0


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
    """A rate over a base rate, with the cans that both rest on.

    ratio, high, score_high  None where nothing was counted on the base side: there is no upper end then
    low, high                exact conditional interval (Clopper-Pearson on the share of the counts)
    score_low, score_high    score interval, narrower and right on average rather than at least
    p                        exact, two-sided: twice the smaller tail, so that it agrees with the exact interval
    p_higher                 exact, one-sided: chance of at least this many if the rates were equal
    """

    ratio: float | None
    low: float
    high: float | None
    score_low: float
    score_high: float | None
    p: float
    p_higher: float
    count: int
    cans: float
    base_count: int
    base_cans: float

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
    Source: Przyborowski & Wilenski, Biometrika 31 (1940) 313; the methods W2A and exact of Gu, Ng, Tang & Schucany,
    Biometrical Journal 50 (2008) 283. The score interval is Wilson's for the share.
    """
    y1, n1 = counts_and_cans(counts, cans)
    y2, n2 = counts_of(base_counts, "base_counts"), cans_of(base_cans, "base_cans")
    n2 = np.full(len(y2), n2[0]) if len(n2) == 1 else n2
    same_length([y1, n1, y2, n2], "base_counts")
    alpha = 1.0 - level_of(level)
    exact = _odds_interval(y1, y2, alpha, "beta")
    score = _odds_interval(y1, y2, alpha, "wilson")
    share = n1 / (n1 + n2)
    p_higher = np.asarray(scipy.stats.binom.sf(y1 - 1.0, y1 + y2, share))
    p_lower = scipy.stats.binom.cdf(y1, y1 + y2, share)
    p = np.asarray(np.minimum(1.0, 2.0 * np.minimum(p_higher, p_lower)))
    scale = n2 / n1
    columns = (y1, y2, *(end * scale for end in (*exact, *score)), p, p_higher, n1, n2)
    return tuple(_ratio(*row) for row in zip(*(column.tolist() for column in columns), strict=True))


def _odds_interval(y1: FloatArray, y2: FloatArray, alpha: float, method: str) -> tuple[FloatArray, FloatArray]:
    """Interval of share/(1 - share); the upper end holds 0 where y2 is 0, for `_ratio` to leave out."""
    from statsmodels.stats import proportion

    total = np.maximum(y1 + y2, 1.0)  # two zeros say as much as none of one: nothing
    low1, high1 = proportion.proportion_confint(y1, total, alpha=alpha, method=method)
    low2, high2 = proportion.proportion_confint(y2, total, alpha=alpha, method=method)
    low = np.where(y1 > 0.0, low1 / np.where(y1 > 0.0, high2, 1.0), 0.0)
    high = np.where(y2 > 0.0, high1 / np.where(y2 > 0.0, low2, 1.0), 0.0)
    return low, high


def _ratio(  # one row of the columns of `rate_ratios`
    y1: float,
    y2: float,
    low: float,
    high: float,
    score_low: float,
    score_high: float,
    p: float,
    p_higher: float,
    n1: float,
    n2: float,
) -> RateRatio:
    ends = y2 > 0.0
    return RateRatio(
        ratio=(y1 / n1) / (y2 / n2) if ends else None,
        low=low,
        high=high if ends else None,
        score_low=score_low,
        score_high=score_high if ends else None,
        p=p,
        p_higher=p_higher,
        count=int(y1),
        cans=n1,
        base_count=int(y2),
        base_cans=n2,
    )


@dataclass(frozen=True, slots=True)
class CansNeeded:
    """How many cans until a ratio can be seen, and the chance to see it with those there are.

    total, more  cans afterwards in all, and still to come (0 where there are enough); None where no number is enough,
                 because the time before holds too few counts
    """

    total: int | None
    more: int | None
    power_now: float


def cans_needed(
    base_count: float,
    base_cans: float,
    ratio: float,
    *,
    cans_so_far: float = 0.0,
    power: float = 0.8,
    level: float = 0.95,
    dispersion: float = 1.0,
) -> CansNeeded:
    """Cans to make before a change of the rate to `ratio` times the base rate would show, with chance `power`.

    base_count, base_cans  what was counted before, on how many cans; a count of 0 raises `CalcError`
    ratio                  between 0.001 and 1000 and not 1: 0.5 is half the rate
    dispersion             variance of the counts over that of Poisson counts, 1 or more
    The chance is that of the exact interval of `rate_ratios` leaving out 1, both sides being Poisson with the base
    rate as it was counted: given their sum the counts are binomial, and the sum is Poisson.
    """
    count = float(counts_of(base_count, "base_count")[0])
    if count == 0.0:
        raise CalcError("Nothing was counted before, so there is no rate to compare with.", field="base_count")
    base = one_number(base_cans, "The cans before", "base_cans", above=0.0)
    factor = one_number(ratio, "The ratio", "ratio", above=0.001, below=1000.0)
    if factor == 1.0:
        raise CalcError("A ratio of 1 is no change: no number of cans would show it.", field="ratio")
    wanted = one_number(power, "The chance to see it", "power", above=1.0 - level_of(level), below=1.0)
    have = float(not_negative(cans_so_far, "Cans so far", "cans_so_far")[0])
    spread = max(1.0, one_number(dispersion, "The dispersion", "dispersion", above=0.0))

    trim = min(1.0, _ENOUGH * spread / count)  # fewer cans before at the same rate: on the safe side

    def reached(cans: float) -> float:
        growth = cans / (trim * base)
        return _power(trim * count / spread, factor * growth, growth, 1.0 - level)

    total = _smallest(reached, wanted, trim * base)
    more = None if total is None else max(0, math.ceil(total - have))
    # Beyond the farthest more cans tell nothing new, and the search for a binomial's limits would not end.
    return CansNeeded(total, more, reached(min(have, _FARTHEST * trim * base)) if have > 0.0 else 0.0)


def _power(base_count: float, growth: float, cans_ratio: float, alpha: float) -> float:
    """Chance that the exact test rejects, with base_count and base_count*growth expected on the two sides."""
    sums = poisson_quantile(_MIDPOINTS, base_count * (1.0 + growth))  # equally likely sums
    null, true = cans_ratio / (1.0 + cans_ratio), growth / (1.0 + growth)
    lower = scipy.stats.binom.cdf(scipy.stats.binom.ppf(alpha / 2.0, sums, null) - 1.0, sums, true)
    upper = scipy.stats.binom.sf(scipy.stats.binom.isf(alpha / 2.0, sums, null), sums, true)
    return float(np.mean(lower + upper))


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


def _smallest(reached: Callable[[float], float], wanted: float, base_cans: float) -> int | None:
    """Smallest number of cans with that power; it grows with the cans, up to what the base side allows."""
    one, all_of_use = 1.0, math.ceil(_FARTHEST * base_cans)
    if reached(all_of_use) < wanted:
        return None
    if reached(one) >= wanted:
        return 1
    ends = math.log(one), math.log(all_of_use)
    found = scipy.optimize.brentq(lambda size: reached(math.exp(size)) - wanted, *ends, xtol=1e-3)
    return math.ceil(math.exp(found))


def chance_of_at_least(counts: ArrayLike, expected: ArrayLike) -> FloatArray:
    """Chance of at least this count where `expected` is expected, both of shape (n,): the Poisson upper tail."""
    seen, mean = counts_of(counts), not_negative(expected, "Expected counts", "expected")
    same_length([seen, mean], "expected")
    return np.asarray(scipy.stats.poisson.sf(seen - 1.0, mean))


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
