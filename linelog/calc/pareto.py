"""Which bars of a Pareto chart chance does not explain: counts of groups against what each was expected to have.

Each bar is tested for having more than its share, one-sided and exact. A chart of many bars always has a tallest one,
so the chances are corrected for the number of bars (Holm, Scandinavian Journal of Statistics 6 (1979) 65).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import BoolArray, FloatArray, counts_of, not_negative, one_number, same_length
from linelog.calc.errors import CalcError
from linelog.calc.rates import MILLION, rate_ratios, rates_per_million

#: Share of charts without any true cause in which a bar may stand out by chance.
LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class Bars:
    """Bars of one chart, each array of shape (n,).

    low, high   exact 95 % interval of the count (Garwood)
    expected    what each would have if only chance told them apart
    least, most the counts that chance then leaves it: a bar stands out just where it has more than `most`, and each
                end is passed by some bar in 5 of 100 charts without any true cause (Holm's step for this bar)
    p           chance of at least this count if so; `p_chart` the same corrected for the number of bars
    stands_out  whether the corrected chance is below 5 %
    """

    counts: FloatArray
    low: FloatArray
    high: FloatArray
    expected: FloatArray
    least: FloatArray
    most: FloatArray
    p: FloatArray
    p_chart: FloatArray
    stands_out: BoolArray


def by_exposure(counts: ArrayLike, exposure: ArrayLike) -> Bars:
    """Hold counts of n >= 2 groups against their shares of the exposure (cans made), both of shape (n,).

    Given their sum each count is binomial with its share of the exposure, if only chance tells the groups apart. A
    group without exposure has no share and raises `CalcError`.
    """
    seen = counts_of(counts, least=2)
    shares = _shares(exposure)
    same_length([seen, shares], "exposure")
    total = float(seen.sum())
    p = np.asarray(scipy.stats.binom.sf(seen - 1.0, total, shares))
    level = _levels(p)
    least, most = scipy.stats.binom.ppf(level, total, shares), scipy.stats.binom.isf(level, total, shares)
    return _bars(seen, total * shares, p, np.asarray(least), np.asarray(most))


def by_base(counts: ArrayLike, cans: float, base_counts: ArrayLike, base_cans: float) -> Bars:
    """Hold counts of n >= 1 groups against those of a base (another time, other machines), each of shape (n,).

    cans, base_cans  made while the counts, and those of the base, came about; above zero
    The two counts of a group are compared as two Poisson rates: see `rates.rate_ratios`.
    """
    seen, base = counts_of(counts), counts_of(base_counts, "base_counts")
    same_length([seen, base], "base_counts")
    ratios = rate_ratios(seen, cans, base, base_cans)
    p, share = np.array([ratio.p_higher for ratio in ratios]), cans / (cans + base_cans)
    # The chance of k or more of k + base, binomial, is that of k or more before `base + 1` fall to the base.
    level, waiting = _levels(p), scipy.stats.nbinom(base + 1.0, 1.0 - share)
    return _bars(seen, base * (cans / base_cans), p, waiting.ppf(level), waiting.isf(level))


def by_strata(counts: ArrayLike, shares: Sequence[ArrayLike]) -> Bars:
    """Hold counts of n >= 1 groups against their shares within strata (tooling sets within their machines).

    shares  for each group the chance of every single occurrence in its strata that it would be this group's, if only
            the exposure decided: the group's share of the exposure of the stratum in which it occurred
    The count is then a sum of unlike trials (Poisson's binomial). A group alone in its strata has the share 1,
    expects all that it has, and never stands out.
    """
    seen = counts_of(counts)
    if len(shares) != len(seen):
        raise CalcError("There must be shares for each group.", field="shares")
    columns = [not_negative(share, "Shares", "shares") for share in shares]
    if any((column > 1.0).any() for column in columns):
        raise CalcError("A share is no more than 1.", field="shares")
    if any(count > len(column) for count, column in zip(seen, columns, strict=True)):
        raise CalcError("A group cannot have more than happened in its strata.", field="counts")
    # A trial with the share 0 changes nothing: filled up with them, the groups are worked out at once.
    trials = np.zeros((len(columns), max(len(column) for column in columns)))
    for row, column in zip(trials, columns, strict=True):
        row[: len(column)] = column
    p = np.clip(scipy.stats.poisson_binom.sf(seen - 1.0, trials), 0.0, 1.0)
    ends = np.array([_ends_of(column, level) for column, level in zip(columns, _levels(p), strict=True)])
    return _bars(seen, trials.sum(axis=1), p, ends[:, 0], ends[:, 1])


def _ends_of(shares: FloatArray, level: float) -> tuple[float, float]:
    """Return the counts at which either tail of Poisson's binomial is no longer below `level`."""
    counts = np.arange(len(shares) + 1.0)
    under = np.asarray(scipy.stats.poisson_binom.cdf(counts, shares[np.newaxis, :]))
    over = np.append(1.0, 1.0 - under[:-1])  # chance of at least each count
    return float(counts[under >= level][0]), float(counts[over > level][-1])


def _shares(exposure: ArrayLike) -> FloatArray:
    made = not_negative(exposure, "Exposures", "exposure")
    if (made == 0.0).any():
        raise CalcError("A group that made nothing has no share: leave it out.", field="exposure")
    return np.asarray(made / one_number(float(made.sum()), "The exposure", "exposure", above=0.0))


def _bars(counts: FloatArray, expected: FloatArray, p: FloatArray, least: FloatArray, most: FloatArray) -> Bars:
    exact = rates_per_million(counts, MILLION)  # of a million, a rate per million is the count itself
    p_chart = _holm(p)
    return Bars(counts, exact.low, exact.high, expected, least, most, p, p_chart, p_chart <= LEVEL)


def _levels(p: FloatArray) -> FloatArray:
    """Return the chance that decides on each bar: 5 % over how many bars are left at its step of Holm's procedure.

    The procedure stops at the first bar that does not stand out; its step decides on all that follow.
    """
    rank = np.empty(len(p))
    rank[np.argsort(p)] = np.arange(len(p))
    out = int((_holm(p) <= LEVEL).sum())
    return np.asarray(LEVEL / (len(p) - np.minimum(rank, min(out, len(p) - 1))))


def _holm(p: FloatArray) -> FloatArray:
    """Chances corrected for their number: in rising order times how many are left, never falling, at most 1.

    The same as `multipletests` of statsmodels, which collects all of the program's garbage at every call: 257 ms with
    the program loaded (2 cores, load 4), and a page has four charts. Held against it in the tests.
    """
    order = np.argsort(p)
    corrected = np.empty(len(p))
    corrected[order] = np.minimum(1.0, np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)))
    return corrected
