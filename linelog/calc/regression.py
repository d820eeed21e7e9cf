"""Counts against what might go with them: Poisson or negative binomial regression with the cans as exposure.

    expected count = cans * exp(level of the machine + sum of effect_j * predictor_j)

A row is a stretch of time of one machine (a week, or the time between two visits). An effect says what goes with
what; it does not say why.
Source: Cameron & Trivedi, Regression Analysis of Count Data (NB2: variance = mean + alpha*mean^2), as statsmodels
has it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, counts_and_cans, level_of, numbers, same_length
from linelog.calc.count_design import Design, Family, check_predictors, check_separated, columns_of, with_counts
from linelog.calc.errors import CalcError

_LARGEST_EXPONENT = 100.0  # a ratio beyond exp(100) is no finding


@dataclass(frozen=True, slots=True)
class Effect:
    """A coefficient on the logarithm of the rate, and the ratio of the rates for one unit more of the predictor."""

    name: str
    coefficient: float
    se: float
    low: float
    high: float
    p: float

    @property
    def ratio(self) -> float:
        """Rate with one unit more, over the rate without."""
        return math.exp(self.coefficient)

    @property
    def ratio_low(self) -> float:
        """Lower end of the interval of the ratio."""
        return math.exp(self.low)

    @property
    def ratio_high(self) -> float:
        """Upper end of the interval of the ratio."""
        return math.exp(self.high)


@dataclass(frozen=True, slots=True)
class Quality:
    """How well a regression fits: deviance and Pearson's chi-square are about `dof` where it does."""

    log_likelihood: float
    deviance: float
    pearson: float
    dof: int


@dataclass(frozen=True, slots=True)
class CountFit:
    """A fitted regression.

    effects       one for each predictor, in the order given
    levels        logarithm of the rate per can with all predictors at zero: one for each group kept, else one
    left_out      groups on which nothing was counted: they say nothing of an effect within a machine
    expected      fitted counts, shape (n,); 0 in the rows of groups left out
    alpha         NB2 dispersion, None for Poisson
    wide_p        chance of the observed over-dispersion if the counts were Poisson (likelihood ratio)
    rows, counts, cans  that it rests on
    """

    family: Family
    effects: tuple[Effect, ...]
    levels: tuple[Effect, ...]
    left_out: tuple[str, ...]
    expected: FloatArray
    alpha: float | None
    wide_p: float
    quality: Quality
    rows: int
    counts: int
    cans: float

    def effect(self, name: str) -> Effect:
        """Effect of one predictor by its name."""
        return next(effect for effect in self.effects if effect.name == name)


def fit_counts(
    counts: ArrayLike,
    cans: ArrayLike,
    predictors: Mapping[str, ArrayLike],
    *,
    groups: Sequence[str] | None = None,
    family: Family | None = None,
    level: float = 0.95,
) -> CountFit:
    """Fit n rows by maximum likelihood.

    counts, cans  shape (n,); predictors, each of shape (n,), by name
    groups        the machine of each row: each then has a level of its own (fixed effect)
    family        None takes the negative binomial where the likelihood ratio against Poisson asks for it (5 %)
    Raises `CalcError` where nothing was counted, where a predictor never changes or is told by the others, where rows
    are too few, where all counts are zero on one side of a predictor, and where the fit does not settle.
    """
    from linelog.calc import count_models

    seen, made = counts_and_cans(counts, cans)
    if not seen.any():
        raise CalcError("Nothing was counted, so there is nothing to hold against the predictors.", field="counts")
    columns = columns_of(predictors, len(seen))
    labels, kept, left_out = with_counts(seen, groups)
    y, exposure, x = seen[kept], made[kept], columns[kept]
    machines = np.unique(labels[kept])
    members = (labels[kept][:, None] == machines[None, :]).astype(float)
    check_predictors(y, x, members, list(predictors), grouped=groups is not None)
    design = Design.of(x, members)
    check_separated(y, design.scaled, list(predictors))
    fit, alpha, wide_p = count_models.fit(y, exposure, design, family)
    expected = np.zeros(len(seen))
    expected[kept] = fit.predict()
    log_rate = math.log(y.sum() / exposure.sum())
    found = _effects(fit, design, log_rate, [*machines.tolist(), *predictors], level_of(level))
    return CountFit(
        family=Family.POISSON if alpha is None else Family.NEGATIVE_BINOMIAL,
        effects=found[len(machines) :],
        levels=found[: len(machines)],
        left_out=left_out,
        expected=expected,
        alpha=alpha,
        wide_p=wide_p,
        quality=Quality(float(fit.llf), *count_models.scatter(y, fit.predict(), alpha), len(y) - len(fit.params)),
        rows=len(y),
        counts=int(y.sum()),
        cans=float(exposure.sum()),
    )


@dataclass(frozen=True, slots=True)
class Avoided:
    """Counts that would not have come, with their interval, if the fitted effect held and all else had stayed."""

    count: float
    low: float
    high: float


def avoided(fit: CountFit, name: str, values: ArrayLike, held_at: ArrayLike) -> Avoided:
    """Fitted counts less those expected with predictor `name` held at other values.

    values, held_at  shape (n,), the rows of the fit; held_at = min(values, 1) asks for every machine within limits
    The interval is that of the effect alone.
    """
    before, after = numbers(values, "Values", "values"), numbers(held_at, "Values held at", "held_at")
    same_length([before, after, fit.expected], "values")
    effect = fit.effect(name)

    def less(coefficient: float) -> float:
        exponent = np.clip(coefficient * (after - before), -_LARGEST_EXPONENT, _LARGEST_EXPONENT)
        return float(-(fit.expected * np.expm1(exponent)).sum())

    ends = sorted([less(effect.low), less(effect.high)])
    return Avoided(less(effect.coefficient), *ends)


def _effects(fit: Any, design: Design, log_rate: float, names: list[str], level: float) -> tuple[Effect, ...]:
    count = len(names)
    coefficients = design.back @ np.asarray(fit.params)[:count]
    coefficients[: design.groups] += log_rate
    errors = np.sqrt(np.diag(design.back @ np.asarray(fit.cov_params())[:count, :count] @ design.back.T))
    reach = float(scipy.stats.norm.isf((1.0 - level) / 2.0)) * errors
    if not (np.abs(coefficients[design.groups :]) + reach[design.groups :] < _LARGEST_EXPONENT).all():
        raise CalcError("These counts do not hold the effect within any useful range: take a longer time.")
    p = 2.0 * scipy.stats.norm.sf(np.abs(coefficients) / errors)
    rows = zip(names, coefficients, errors, coefficients - reach, coefficients + reach, p, strict=True)
    return tuple(Effect(str(name), *(float(value) for value in rest)) for name, *rest in rows)
