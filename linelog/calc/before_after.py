"""Did a visit help: what was counted after it against what was to be expected without it (`expected_rate`).

A claim is made where chance would hardly do it, counting in how many visits are looked at together: Benjamini and
Hochberg's false-discovery control, half of its share for single visits and half for what is put together. An interval
of 95 % that leaves out 1 is therefore no claim by itself.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.expected_rate import Expected, Record, learn

FALSE_SHARE = 0.05  # of the claims of a page that may be false
LEVEL, POWER = 0.95, 0.8
CALLED = 0.1  # chance of so high a rate before a visit without anything behind it: from here it counts as high
#: Of the logarithm of a pooled ratio: so far off was the expectation itself on simulated plants (bench_helped).
MODEL_DOUBT = 0.03
_RESAMPLES = 400
_FEWEST_MACHINES = 3  # fewer say nothing of how machines differ: then the counts' own scatter alone stands
_TAILS = (0.01, 0.0025)  # chances at which the model's tails are held against those of days without a visit


@dataclass(frozen=True, slots=True)
class Judged:
    """n visits, arrays (n,).

    row, day       of the record
    before, after  counts and cans of the days before and after, the day of the visit on neither side
    expected       counts after it, had there been no visit; NaN where too little lies before or after
    low, high      prediction interval (95 %) of the counts
    ratio, ratio_low, ratio_high  counts over expected with its interval (95 %); infinite where it has no upper end
    p_lower, p_higher  chance of so few, or so many, without an effect
    called         whether the rate just before was higher than its own past lets expect
    """

    row: IntArray
    day: IntArray
    before: tuple[FloatArray, FloatArray]
    after: tuple[FloatArray, FloatArray]
    expected: FloatArray
    chance: FloatArray
    doubt: FloatArray
    low: FloatArray
    high: FloatArray
    ratio: FloatArray
    ratio_low: FloatArray
    ratio_high: FloatArray
    p_lower: FloatArray
    p_higher: FloatArray
    called: BoolArray

    @property
    def told(self) -> BoolArray:
        """Visits of which something is expected, and whose days after are over."""
        return np.isfinite(self.expected)

    @property
    def p(self) -> FloatArray:
        """Two-sided."""
        return np.asarray(np.minimum(1.0, 2.0 * np.minimum(self.p_lower, self.p_higher)))


@dataclass(frozen=True, slots=True)
class Pooled:
    """Several visits put together: counts over expected, its interval (95 %), and p of no effect (two-sided).

    se is that of the logarithm; dof those of its t interval, infinite where the counts' own scatter is the wider one.
    """

    visits: int
    machines: int
    counts: float
    cans: float
    expected: float
    ratio: float
    low: float
    high: float
    p: float
    se: float
    dof: float


def _tails(counts: FloatArray, mean: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Chance of so few, and of so many, of negative binomial counts with this mean and variance."""
    size, share = _negative_binomial(mean, variance)
    return (
        np.asarray(scipy.stats.nbinom.cdf(counts, size, share)),
        np.asarray(scipy.stats.nbinom.sf(counts - 1.0, size, share)),
    )


def _negative_binomial(mean: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    over = np.maximum(variance, 1.0001 * mean)
    return mean**2 / (over - mean), mean / over


def _ratio_interval(
    counts: FloatArray, mean: FloatArray, chance: FloatArray, doubt: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Ratios r that the counts do not speak against: (counts - r mean)^2 <= z^2 (r chance + r^2 doubt).

    A score interval, solved as the quadratic that it is (Fieller's form); no upper end where the mean is not known.
    """
    z2 = scipy.stats.norm.ppf(0.5 + LEVEL / 2.0) ** 2
    a, b, c = mean**2 - z2 * doubt, 2.0 * counts * mean + z2 * chance, counts**2
    root = np.sqrt(np.maximum(b**2 - 4.0 * a * c, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        return 2.0 * c / (b + root), np.where(a > 0.0, (b + root) / (2.0 * a), np.inf)


@dataclass(frozen=True, slots=True)
class Compared:
    """Ratio of two pooled ratios with its interval (95 %), and p of no difference (two-sided)."""

    ratio: float
    low: float
    high: float
    p: float


def compare(one: Pooled, other: Pooled) -> Compared | None:
    """Hold one group of visits against another, its ratio over the other's; None where one counted nothing at all.

    Groups that share machines go up and down together, so that the interval is rather too wide.
    """
    if not min(one.ratio, other.ratio) > 0.0:
        return None
    effect, se, dof = math.log(one.ratio / other.ratio), math.hypot(one.se, other.se), min(one.dof, other.dof)
    reach = min(float(scipy.stats.t.ppf(0.5 + LEVEL / 2.0, dof)) * se, 50.0)
    p = float(2.0 * scipy.stats.t.sf(abs(effect) / se, dof))
    return Compared(math.exp(effect), math.exp(effect - reach), math.exp(effect + reach), p)


class BeforeAfter:
    """A record with what was learned from it; `judged` holds all of its visits, by machine and day."""

    def __init__(self, record: Record, window: int) -> None:
        """Learn from the record. Raises `CalcError` where there is too little to learn from."""
        self.learned = learn(record, window)
        self._tail_factor = _tail_factor(self.learned)
        self.judged = self._judge(record)
        self._score, self._information = _by_machine(self.learned)

    def _judge(self, record: Record) -> Judged:
        learned = self.learned
        row, day = np.nonzero(record.visits)
        mean = np.where(learned.whole[row, day], learned.mean[row, day], np.nan)
        counts, chance, doubt = learned.counts[row, day], learned.chance[row, day], learned.doubt[row, day]
        variance = chance + doubt
        p_lower, p_higher = (np.minimum(1.0, p * self._tail_factor) for p in _tails(counts, mean, variance))
        spread = _negative_binomial(mean, variance)
        low, high = (np.asarray(scipy.stats.nbinom.ppf(0.5 + side * LEVEL / 2.0, *spread)) for side in (-1.0, 1.0))
        ratio_low, ratio_high = _ratio_interval(counts, mean, chance, doubt)
        return Judged(
            row=row,
            day=day,
            before=_before(record, row, day, learned.window),
            after=(counts, learned.cans[row, day]),
            expected=mean,
            chance=chance,
            doubt=doubt,
            low=low,
            high=high,
            ratio=counts / mean,
            ratio_low=ratio_low,
            ratio_high=ratio_high,
            p_lower=p_lower,
            p_higher=p_higher,
            called=self._called(row, day),
        )

    def _called(self, row: IntArray, day: IntArray) -> BoolArray:
        """Whether the days before a visit counted more than those before them let expect."""
        learned = self.learned
        anchor = day - learned.window - 1
        at = row, np.maximum(anchor, 0)
        mean, variance = learned.mean[at], learned.chance[at] + learned.doubt[at]
        _, p_higher = _tails(learned.counts[at], mean, variance)
        return np.asarray((anchor >= 0) & np.isfinite(mean) & (p_higher * self._tail_factor <= CALLED))

    def pool(self, chosen: BoolArray) -> Pooled | None:
        """Put the chosen visits (n,) together; None where nothing is told of any of them."""
        judged = self.judged
        some = chosen & judged.told
        if not some.any() or not judged.expected[some].sum() > 0.0:
            return None
        row, counts, mean = judged.row[some], judged.after[0][some], judged.expected[some]
        machines = len(np.unique(row))
        gradient = self.learned.design[row, judged.day[some]] * mean[:, None]
        total = gradient.sum(axis=0)
        own_doubt = mean**2 * self.learned.alpha * self.learned.wide[row]
        variance = judged.chance[some].sum() + own_doubt.sum() + total @ self.learned.cov @ total
        expected, seen = float(mean.sum()), float(counts.sum())
        se, dof = math.hypot(math.sqrt(variance) / expected, MODEL_DOUBT), math.inf
        if machines >= _FEWEST_MACHINES:
            drawn = self._between_machines(row, counts, mean, gradient) * math.sqrt(machines / (machines - 1.0))
            between = math.hypot(drawn, MODEL_DOUBT)
            # The wider of the two at its own quantile: few machines may happen to be alike.
            if between * scipy.stats.t.ppf(0.975, machines - 1) > se * scipy.stats.norm.ppf(0.975):
                se, dof = between, float(machines - 1)
        reach = min(float(scipy.stats.t.ppf(0.5 + LEVEL / 2.0, dof)) * se, 50.0)  # further out nothing is known
        ratio = seen / expected
        distance = abs(math.log(max(seen, 0.5) / expected))
        return Pooled(
            visits=int(some.sum()),
            machines=machines,
            counts=seen,
            cans=float(judged.after[1][some].sum()),
            expected=expected,
            ratio=ratio,
            low=ratio * math.exp(-reach),
            high=ratio * math.exp(reach),
            p=float(2.0 * scipy.stats.t.sf(distance / se, dof)),
            se=se,
            dof=dof,
        )

    def _between_machines(self, row: IntArray, counts: FloatArray, mean: FloatArray, gradient: FloatArray) -> float:
        """Return the log ratio's scatter over machines drawn anew, the coefficients refitted in one step."""
        size, width = len(self._score), gradient.shape[1]
        rng = np.random.default_rng(0)  # the same answer for the same record
        drawn = rng.multinomial(size, np.full(size, 1.0 / size), _RESAMPLES).astype(float)
        seen, expected = (np.bincount(row, values, minlength=size) for values in (counts, mean))
        slopes = np.stack([np.bincount(row, gradient[:, one], minlength=size) for one in range(width)], axis=1)
        information = np.einsum("rm,mij->rij", drawn, self._information)
        ridge = 1e-6 * np.trace(self._information.sum(axis=0)) / width
        moved = np.linalg.solve(information + ridge * np.eye(width), (drawn @ self._score)[:, :, None])[:, :, 0]
        below = drawn @ expected + np.einsum("rp,rp->r", drawn @ slopes, np.clip(moved, -1.0, 1.0))
        above = drawn @ seen
        fine = (above > 0.0) & (below > 0.0)
        return float(np.std(np.log(above[fine] / below[fine]))) if fine.sum() > _RESAMPLES / 2 else math.inf


def _before(record: Record, row: IntArray, day: IntArray, window: int) -> tuple[FloatArray, FloatArray]:
    days = np.arange(-window, 0)[None, :] + day[:, None]
    inside = days >= 0
    at = row[:, None], np.maximum(days, 0)
    return (record.counts[at] * inside).sum(axis=1), (record.cans[at] * inside).sum(axis=1)


def _tail_factor(learned: Expected) -> float:
    """How many times as often as the model says days without a visit lie in its tails; at least 1."""
    apart = learned.controls & learned.whole & (np.arange(learned.counts.shape[1]) % learned.window == 0)[None, :]
    mean, variance = learned.mean[apart], (learned.chance + learned.doubt)[apart]
    tails = _tails(learned.counts[apart], mean, variance)
    return max(1.0, *(float(np.mean(tail <= chance)) / chance for tail in tails for chance in _TAILS))


def _by_machine(learned: Expected) -> tuple[FloatArray, FloatArray]:
    """Score (M, p) and information (M, p, p) of the rows that each machine taught."""
    off = np.where(learned.taught, (learned.counts - learned.mean) * learned.weights, 0.0)
    weight = np.where(learned.taught, learned.mean * learned.weights, 0.0)
    score = np.einsum("mt,mtp->mp", off, learned.design)
    weighted = np.swapaxes(learned.design * weight[:, :, None], 1, 2)
    return score, np.asarray(weighted @ learned.design)


def claims(p: Sequence[float] | FloatArray, share: float = FALSE_SHARE / 2.0) -> tuple[BoolArray, float]:
    """Return which of several differences are shown, and the p below which one would have been.

    Benjamini & Hochberg, J. R. Stat. Soc. B 57 (1995) 289. NaN: nothing is told of it.
    """
    from statsmodels.stats.multitest import multipletests

    given = np.asarray(p, dtype=float)
    some = np.isfinite(given)
    shown = np.zeros(len(given), dtype=bool)
    if not some.any():
        return shown, share
    shown[some] = multipletests(given[some], alpha=share, method="fdr_bh")[0]
    return shown, share * max(int(shown.sum()), 1) / int(some.sum())


def smallest_fall(mean: FloatArray, chance: FloatArray, doubt: FloatArray, p: float) -> FloatArray:
    """Fall of the rate, 0 to 1, that would show in 8 of 10 such visits at a two-sided p; 1 where none would."""
    far, often = scipy.stats.norm.isf(p / 2.0), scipy.stats.norm.ppf(POWER)
    ratio = np.ones_like(mean)
    for _ in range(20):
        scatter = np.sqrt(ratio * chance + ratio**2 * doubt)
        ratio = np.maximum(0.0, 1.0 - (far * np.sqrt(chance + doubt) + often * scatter) / mean)
    return 1.0 - ratio


def smallest_fall_pooled(one: Pooled, p: float) -> float:
    """As `smallest_fall`, of visits put together."""
    return 1.0 - math.exp(-one.se * float(scipy.stats.t.isf(p / 2.0, one.dof) + scipy.stats.t.ppf(POWER, one.dof)))
