"""Which of the marks in use a found can carries: Bayes' rule over how marks are misread and what was counted.

    chance of a mark ~ cans its machine made then x machine's rate of the defect x how well its days fit
                       x chance that this mark is typed so

The rate is the mean of a gamma prior updated by Poisson counts (Gelman et al., Bayesian Data Analysis, section 2.6):
few like findings leave a machine near the rate of all. The prior weighs half a finding, as Jeffreys' for a Poisson
rate does. The other strengths below are common practice without a source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

PRIOR_FINDINGS = 0.5  # like findings that the rate of all machines counts for
STOOD_SHARE = 0.02  # of usual cans, for a machine whose counts say none: counts and days are wrong now and then
UNRECORDED = 0.01  # prior of a mark that nobody wrote down
DATES_WRONG, DATES_WRONG_DAYS, MOST_DAYS_OFF = 0.03, 7.0, 30  # a day made or a change of marks that is wrong


@dataclass(frozen=True, slots=True)
class Possible:
    """A mark on a machine that a found can may carry.

    typed     chance, 0 to 1, that this mark is typed as it was
    days_off  days between the day made and the days of the mark; 0 where it was in use
    cans      made by the machine then; None where it is not counted
    found     like findings of the machine, weighted by how near they are in time
    expected  the same at the rate of all machines
    marks     that the machine carried that day, at least 1
    fit       share of such cases in which a mark of this age of its fit was the true one; 1 where there is no choice
    """

    typed: float
    days_off: int
    cans: float | None
    found: float
    expected: float
    marks: int = 1
    fit: float = 1.0


@dataclass(frozen=True, slots=True)
class Odds:
    """Chances, 0 to 1, of each possibility in its order, and of a mark that is not on record; together 1."""

    chances: tuple[float, ...]
    unrecorded: float


def weigh(possible: Sequence[Possible], unrecorded_typed: float) -> Odds:
    """Weigh n >= 0 possibilities; `unrecorded_typed` is the chance that an unknown mark is typed so."""
    priors = _priors(possible)
    weights = [
        prior * one.typed * _of_days(one.days_off) * one.fit for prior, one in zip(priors, possible, strict=True)
    ]
    none = UNRECORDED * unrecorded_typed
    total = math.fsum(weights) + none
    if total <= 0.0:
        return Odds(tuple(0.0 for _ in possible), 1.0)
    return Odds(tuple(weight / total for weight in weights), none / total)


def _priors(possible: Sequence[Possible]) -> list[float]:
    counted = [one.cans for one in possible if one.cans is not None]
    usual = math.fsum(counted) / len(counted) if counted and sum(counted) > 0 else 1.0
    shares = [_cans(one, usual) * relative_rate(one.found, one.expected) / one.marks for one in possible]
    in_use = math.fsum(share for share, one in zip(shares, possible, strict=True) if one.days_off == 0)
    total = in_use or math.fsum(shares) or 1.0
    return [share / total for share in shares]


def _cans(one: Possible, usual: float) -> float:
    return usual if one.cans is None else max(one.cans, STOOD_SHARE * usual)


def relative_rate(found: float, expected: float) -> float:
    """Return a machine's rate over that of all machines, shrunk toward 1 by `PRIOR_FINDINGS`."""
    return (found + PRIOR_FINDINGS) / (expected + PRIOR_FINDINGS)


def _of_days(off: int) -> float:
    if off == 0:
        return 1.0
    return DATES_WRONG * math.exp(-(off - 1) / DATES_WRONG_DAYS) if off <= MOST_DAYS_OFF else 0.0


def share_by_age(newest_true: int, of: int, candidates: int) -> tuple[float, float]:
    """Return how often the newest fit, and any one of the others, was the true one, times the number of candidates.

    Counted among cases whose machine was known, with one case of each kind added (Laplace's rule of succession), so
    that nothing counted says nothing: both are 1.
    """
    if candidates < 2:
        return 1.0, 1.0
    newest = (newest_true + 1.0) / (of + candidates)
    return candidates * newest, candidates * (1.0 - newest) / (candidates - 1)
