"""The day on which a problem began, from how far a station moved between visits: a change point with its interval.

The movement between two visits is the usual one, and from the day on a further part that grows with the time it had:
at once (play), with its square root, or evenly (a creep); which of these is not known, and all three are weighed.
Level, size and scatter are integrated out under weak priors (Student's t), every day of the record is as likely
beforehand, and the interval is what leaves 5 % of the posterior on either side.
Source: Smith, A. F. M., A Bayesian approach to inference about a change-point, Biometrika 62 (1975) 407; the linear
model's marginal: Bernardo & Smith, Bayesian Theory (1994), 5.2.1 and appendix A.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.arrays import FloatArray

FEWEST = 3
TAIL = 0.05
WIDEST = 0.5  # of the record: a wider interval says nothing
_POWERS = (0.0, 0.5, 1.0)
_LEVEL, _LEVEL_SD = 0.2, 0.3  # usual movement, shares of the limit: weak priors, common practice, no source
_SIZE, _SIZE_SD = 1.2, 0.8
_SCATTER = 0.3
FREEDOM = 4.0
_OWN_SCATTER = 0.4  # of the further part: no two times are alike
_MOST_DAYS = 240  # of a longer record every second day, or third, is tried
_BEFORE = 180.0  # days before the record in which it may have begun as likely as in any of it


@dataclass(frozen=True, slots=True)
class Moved:
    """How far a station moved from the visit at day `since` to that at day `until`, as a share of its limit.

    Positive the way in which the problem shows; u is the standard uncertainty of it, a share too.
    """

    since: float
    until: float
    share: float
    u: float = 0.0


@dataclass(frozen=True, slots=True)
class Began:
    """Between `low` and `high` with 90 %, most likely at `likely`, days as in `Moved`.

    low is None where it may be older than the record, likely also where that is the likeliest; high is None, too,
    where no date can be told.
    """

    low: float | None
    likely: float | None
    high: float | None


UNKNOWN = Began(None, None, None)


def began(moves: Sequence[Moved]) -> Began:
    """Return when the further part began; `moves` in the order of time, at least three, else nothing is told."""
    if len(moves) < FEWEST:
        return UNKNOWN
    first, last = moves[0].since, moves[-1].until
    days = np.arange(np.floor(first), last, max(1.0, np.ceil((last - first) / _MOST_DAYS)))
    chance, before = _posterior(moves, days)
    return _interval(days, chance, before, last)


def _interval(days: FloatArray, chance: FloatArray, before: float, last: float) -> Began:
    """Cut the tails off; `before` is the posterior of all days before the record."""
    first, below = float(days[0]), before + np.cumsum(chance)
    at = int(np.searchsorted(below, 1.0 - TAIL))
    high = float(days[at]) if at < len(days) else last
    low = None if before >= TAIL else float(days[np.searchsorted(below, TAIL)])
    likely = None if before >= 0.5 else float(days[np.argmax(chance)])
    if high - (first if low is None else low) > WIDEST * (last - first):
        return UNKNOWN
    return Began(low, likely, high)


def _posterior(moves: Sequence[Moved], days: FloatArray) -> tuple[FloatArray, float]:
    """Posterior of each day, and of all before the record together; they add up to 1."""
    log = log_marginals(moves, np.concatenate([[moves[0].since], days]))
    step = float(days[1] - days[0]) if len(days) > 1 else 1.0
    weight = scipy.special.logsumexp(log, axis=1) + np.log([_BEFORE / step, *np.ones(len(days))])
    chance = np.exp(weight - scipy.special.logsumexp(weight))
    return chance[1:], float(chance[0])


def log_marginals(moves: Sequence[Moved], days: FloatArray) -> FloatArray:
    """Log of the marginal likelihood of days and powers, (d, 3), but for one constant: Student's t of all at once.

    All days in one go: scipy's own density takes one matrix at a time, and there are hundreds.
    """
    mean, spread = _predicted(moves, days)
    off = np.array([one.share for one in moves]) - mean
    far = np.einsum("...i,...i", off, np.linalg.solve(spread, off[..., None])[..., 0])
    size = np.linalg.slogdet(spread).logabsdet
    return np.asarray(-0.5 * size - 0.5 * (FREEDOM + len(moves)) * np.log1p(far / FREEDOM))


def _predicted(moves: Sequence[Moved], days: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean (d, 3, n) and shape matrix (d, 3, n, n) of the movements, had it begun on each day."""
    spans = np.array([[one.since, one.until] for one in moves])
    usual = max(float(np.median(spans[:, 1] - spans[:, 0])), 1.0)
    had = np.maximum(spans[:, 1] - np.maximum(spans[:, 0], days[:, None]), 0.0)[:, None, :] / usual
    part = np.where(had > 0.0, np.maximum(had, 1e-9) ** np.array(_POWERS)[:, None], 0.0)
    u = np.array([one.u for one in moves])
    own = _SCATTER**2 + u**2 + (_OWN_SCATTER * _SIZE * part) ** 2
    shared = _LEVEL_SD**2 + _SIZE_SD**2 * part[..., :, None] * part[..., None, :]
    return _LEVEL + _SIZE * part, shared + own[..., :, None] * np.eye(len(moves))


@dataclass(frozen=True, slots=True)
class Counted:
    """A count over the days from `since` to before `until`, and what would be usual; both as of Poisson counts."""

    since: float
    until: float
    count: float
    expected: float


def began_in_counts(periods: Sequence[Counted]) -> Began:
    """Return when counts began to stand above what is usual, by the same rule as `began`.

    A Poisson rate that is a ratio times the usual one before the day and a larger one after it, evenly over the days
    of a period; both ratios are weighed over lognormal priors about 1 and 1.6.
    """
    if len(periods) < FEWEST:
        return UNKNOWN
    first, last = periods[0].since, periods[-1].until
    days = np.arange(first, last, max(1.0, np.ceil((last - first) / _MOST_DAYS)))
    since, until, count, expected = (
        np.array([getattr(one, name) for one in periods]) for name in ("since", "until", "count", "expected")
    )
    part = np.clip((until - days[:, None]) / (until - since), 0.0, 1.0)[:, None, None, :]
    usual, more = _ratios(1.0, 0.15), _ratios(1.6, 0.35)
    mean = expected * (usual[0][:, None, None] + (more[0][:, None] - usual[0][:, None, None]) * part)
    log = scipy.stats.poisson.logpmf(np.round(count), np.maximum(mean, 1e-9)).sum(axis=-1)
    weight = scipy.special.logsumexp(log + usual[1][:, None] + more[1], axis=(1, 2))
    step = float(days[1] - days[0])
    weight = np.concatenate([[weight[0] + np.log(_BEFORE / step)], weight])
    chance = np.exp(weight - scipy.special.logsumexp(weight))
    return _interval(days, chance[1:], float(chance[0]), last)


def _ratios(about: float, sd: float) -> tuple[FloatArray, FloatArray]:
    """Ratios within three standard deviations of their logarithm, and their log prior."""
    away = np.linspace(-3.0, 3.0, 13)
    return about * np.exp(sd * away), scipy.stats.norm.logpdf(away)
