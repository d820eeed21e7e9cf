"""What a machine would have counted in the days after a day if nothing was done: learned from days without a visit.

A rate that is high today is mostly lower tomorrow by itself, since part of it was chance; so 'before' is no yardstick
for 'after' where a high rate called for the visit. The expected count rests on the machine's own last 3, 7, 28 and
120 days, and on the other machines of its line in the same days and in those after:

    expected = cans * exp(b0 + sum of b_i * x_i),  x_i = log((counts_i + k) / (usual_i + k)), that of 7 days squared

How far each part is to be believed (the b and k) is learned from all days on which no visit was. How long ago the
last visit was stands beside it, else a fall that visits bring would be learned as one that comes by itself.
A window that the next visit cuts into is kept whole: were such left out, those would remain that stayed low (on
simulated plants with a slow wander a ratio of 1.1 to 1.2 where nothing was done). Cans made after that next visit
count for as many as the visits of the plant are found to bring; the two are found together in a few rounds.
Source: the empirical-Bayes before/after study of Hauer, Observational Before-After Studies in Road Safety (1997;
from memory), with a regression on the own past in place of a reference population's one weight. Regression: negative
binomial (NB2) of statsmodels, its dispersion by moments (Cameron & Trivedi).
"""

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.errors import CalcError

#: Days back from an anchor day: the last 3, the rest of the last 7, of the last 28, of the last 120.
PARTS = ((1, 3), (4, 7), (8, 28), (29, 120))
SINCE_VISIT = (3, 7, 14, 28)
FEWEST_DAYS_BEFORE = 28  # with counts, of the last 120. Own choice, as the next two.
FEWEST_WINDOWS = 60  # side by side, without a visit: fewer do not teach so many weights
FEWEST_COUNTS = 200
_PULLS = (0.25, 1.0, 4.0)  # days' worth of usual counts that pull a part of the past to the usual rate
_OWN_WINDOWS = 10.0  # windows that the plant's dispersion counts for beside a machine's own
_ROUNDS = 3
_MOST_ROWS = 20_000


@dataclass(frozen=True, slots=True)
class Record:
    """M machines over T days that follow one another, arrays (M, T); cans are 0 where nothing is known of a day.

    line    (M,) whole numbers: machines of one line share metal and crews
    visits  whether a visit was on that day; the day itself is on neither side
    """

    counts: FloatArray
    cans: FloatArray
    line: IntArray
    visits: BoolArray


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected after every day of every machine, arrays (M, T); NaN where too little lies before.

    counts, cans    of the days after, at most `window` of them; `whole` where the record holds all of these
    mean            expected counts
    chance, doubt   parts of their variance: what grows with the mean, and what with its square (counts that come in
                    clusters, a rate that wanders, coefficients that are not well known)
    design          (M, T, p) regressors; `taught` the rows that the coefficients are from, `weights` those of the fit
    alpha           NB2 dispersion of the plant; `wide` (M,) the scatter of a machine's own windows over it
    """

    window: int
    counts: FloatArray
    cans: FloatArray
    whole: BoolArray
    mean: FloatArray
    chance: FloatArray
    doubt: FloatArray
    design: FloatArray
    controls: BoolArray
    taught: BoolArray
    weights: FloatArray
    cov: FloatArray
    alpha: float
    wide: FloatArray


def learn(record: Record, window: int) -> Expected:
    """Learn what to expect in the `window` days after each day.

    Raises `CalcError` where there is too little to learn from.
    """
    days = np.arange(record.counts.shape[1])
    end = np.minimum(days + window, days[-1])
    counts, cans = (_between(values, days + 1, end) for values in (record.counts, record.cans))
    before = _between((record.cans > 0.0).astype(float), days - PARTS[-1][1], days - 1)
    known = (cans > 0.0) & (before >= FEWEST_DAYS_BEFORE)
    controls = known & ~record.visits
    _check(record, controls, window)
    # Windows that overlap by two thirds and more teach hardly anything new, nor do more than so many rows.
    stride = max(1, window // 3, -(-int(controls.sum()) // _MOST_ROWS))
    taught = controls & ((days[None, :] + np.arange(len(counts))[:, None]) % stride == 0)
    fit = _settled(record, window, (counts, cans), known, taught)
    spread = 1.0 + fit.alpha * fit.mean
    wide = _own_scatter(np.where(controls, (counts - fit.mean) ** 2 / (fit.mean * spread), 0.0), controls, window)
    cov = fit.cov * max(1.0, window / stride)
    unsure = np.einsum("mti,mti->mt", fit.design @ cov, fit.design)
    return Expected(
        window=window,
        counts=counts,
        cans=cans,
        whole=np.broadcast_to(days + window <= days[-1], counts.shape),
        mean=fit.mean,
        chance=fit.mean * wide[:, None],
        doubt=fit.mean**2 * (fit.alpha * wide[:, None] + unsure),
        design=fit.design,
        controls=controls,
        taught=taught,
        weights=1.0 / spread,
        cov=cov,
        alpha=fit.alpha,
        wide=wide,
    )


def _check(record: Record, controls: BoolArray, window: int) -> None:
    whole = int(controls.sum() / window)
    if whole < FEWEST_WINDOWS:
        raise CalcError(
            f"There are {whole} times {window} days without a visit to learn from, and {FEWEST_WINDOWS} are needed.",
            field="days",
        )
    total = int(record.counts.sum())
    if total < FEWEST_COUNTS:
        raise CalcError(f"{total} were counted in all this time, and {FEWEST_COUNTS} are needed.", field="counts")


@dataclass(frozen=True, slots=True)
class _Fit:
    mean: FloatArray
    design: FloatArray
    cov: FloatArray
    alpha: float


def _settled(
    record: Record, window: int, after: tuple[FloatArray, FloatArray], known: BoolArray, taught: BoolArray
) -> _Fit:
    """Fit with each pull and keep the likeliest, in each round with what the visits were found to bring before."""
    counts, cans = after
    days = np.arange(counts.shape[1])
    next_visit = _next(record.visits)
    later = _between(record.cans, next_visit, np.broadcast_to(np.minimum(days + window, days[-1]), counts.shape))
    designs = [_independent(_design(record, window, pull), taught) for pull in _PULLS]
    visits, brings = known & record.visits, 1.0
    for _ in range(_ROUNDS):
        worth = cans - later * (1.0 - brings)
        fits = [(design, *_fitted(design[taught], counts[taught], worth[taught])) for design in designs]
        design, result, alpha = max(fits, key=lambda one: float(one[1].llf))
        designs = [design]  # one pull is the likeliest by far or none matters: found once
        mean = np.where(known, worth * np.exp(np.clip(design @ result.params, -60.0, 20.0)), np.nan)
        brings = float(np.clip(counts[visits].sum() / mean[visits].sum(), 0.2, 2.0)) if visits.any() else 1.0
    return _Fit(mean, design, np.asarray(result.normalized_cov_params), alpha)


def _fitted(x: FloatArray, counts: FloatArray, cans: FloatArray) -> tuple[Any, float]:
    """Fit coefficients and NB2 dispersion in turn; raises `CalcError` where that does not settle."""
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM
    from statsmodels.tools.sm_exceptions import PerfectSeparationWarning, SingularMatrixWarning

    alpha, result = 0.0, None
    with warnings.catch_warnings(), np.errstate(over="raise", invalid="raise", divide="raise"):
        # Counts that never scatter are no error here, nor regressors that weights make alike: any answer predicts.
        warnings.simplefilter("ignore", PerfectSeparationWarning)
        warnings.simplefilter("ignore", SingularMatrixWarning)
        try:
            for _ in range(_ROUNDS):
                family = families.NegativeBinomial(alpha=alpha) if alpha > 0.0 else families.Poisson()
                start = None if result is None else result.params
                result = GLM(counts, x, family=family, exposure=cans).fit(start_params=start)
                alpha = float(((counts - result.mu) ** 2 - result.mu).sum() / (result.mu**2).sum())
                alpha = (
                    alpha if alpha > 1e-6 else 0.0
                )  # below it the likelihood is Poisson's, and its sum loses digits
        except (FloatingPointError, ValueError, np.linalg.LinAlgError) as broken:
            raise CalcError("The counts are too irregular to say what to expect.", field="fit") from broken
    return result, alpha


def _own_scatter(squares: FloatArray, controls: BoolArray, window: int) -> FloatArray:
    """Scatter of each machine's windows over the plant's, pulled to it where they are few."""
    side_by_side = controls.sum(axis=1) / window
    own = squares.sum(axis=1) / np.maximum(controls.sum(axis=1), 1)
    return np.asarray((_OWN_WINDOWS + side_by_side * own) / (_OWN_WINDOWS + side_by_side))


def _design(record: Record, window: int, pull: float) -> FloatArray:
    counts, cans = record.counts, record.cans
    days = np.arange(counts.shape[1])
    k = pull * float(counts.sum() / (cans > 0.0).sum())
    usual = cans * (counts.sum() / cans.sum())
    own_rate = counts.sum(axis=1) / np.maximum(cans.sum(axis=1), 1.0)
    peers = _peers(counts, record.line), _peers(cans * own_rate[:, None], record.line)

    def part(pair: tuple[FloatArray, FloatArray], first: IntArray, last: IntArray) -> FloatArray:
        seen, expected = (_between(values, first, last) for values in pair)
        return np.asarray(np.log((seen + k) / (expected + k)))

    columns = [np.ones_like(counts), part(peers, days + 1, np.minimum(days + window, days[-1]))]
    for nearest, farthest in PARTS:
        columns += [part(pair, days - farthest, days - nearest) for pair in ((counts, usual), peers)]
    columns.append(part((counts, usual), days - 7, days - 1) ** 2)
    since = days - _last(record.visits)
    columns += [(since <= at_most).astype(float) for at_most in SINCE_VISIT]
    return np.stack(columns, axis=-1)


def _independent(design: FloatArray, taught: BoolArray) -> FloatArray:
    """Keep the regressors that those before them do not tell, on the rows that teach."""
    rows = design[taught]
    left = np.abs(np.diag(np.linalg.qr(rows, mode="r")))
    return np.asarray(design[:, :, left > 1e-9 * np.linalg.norm(rows, axis=0).max()])


def _peers(values: FloatArray, line: IntArray) -> FloatArray:
    """Sum over the other machines of each one's line, or of the plant where it stands alone on its line."""
    same = (line[:, None] == line[None, :]).astype(float)
    same[same.sum(axis=1) == 1.0] = 1.0
    np.fill_diagonal(same, 0.0)
    return np.asarray(same @ values)


def _last(visits: BoolArray) -> IntArray:
    """Day of the last visit before each day, far back where there was none."""
    far = np.full((len(visits), 1), -(10**6))
    at = np.where(visits, np.arange(visits.shape[1]), far)
    return np.concatenate([far, np.maximum.accumulate(at, axis=1)[:, :-1]], axis=1)


def _next(visits: BoolArray) -> IntArray:
    """Day of the first visit after each day, far on where there is none."""
    return np.asarray(visits.shape[1] - 1 - _last(visits[:, ::-1])[:, ::-1])


def _between(values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Sum of the days from `first` to `last`, (T,) or (M, T), both included; 0 where there is none."""
    machines, days = values.shape
    sums = np.concatenate([np.zeros((machines, 1)), np.cumsum(values, axis=1)], axis=1)
    edges = (
        np.broadcast_to(np.clip(edge, 0, days), values.shape) for edge in (np.minimum(first, last + 1), last + 1)
    )
    low, high = (np.take_along_axis(sums, edge, 1) for edge in edges)
    return np.asarray(high - low)
