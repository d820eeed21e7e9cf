"""Counts against what might go with them: Poisson or negative binomial regression with the cans as exposure.

    expected count = cans * exp(level of the machine + sum of effect_j * predictor_j)

A row is a stretch of time of one machine (a week, or the time between two visits). An effect says what goes with
what; it does not say why.
Source: Cameron & Trivedi, Regression Analysis of Count Data (NB2: variance = mean + alpha*mean^2), as statsmodels
has it.
"""

import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats
from statsmodels.discrete.discrete_model import NegativeBinomial, Poisson
from statsmodels.genmod import families
from statsmodels.tools.sm_exceptions import HessianInversionWarning, PerfectSeparationWarning

from linelog.calc.arrays import FloatArray, counts_and_cans, level_of, numbers, same_length
from linelog.calc.count_design import Design, check_predictors, check_separated, columns_of, with_counts
from linelog.calc.errors import CalcError

_LARGEST_EXPONENT = 100.0  # a ratio beyond exp(100) is no finding
_WIDE = 0.05  # level at which the negative binomial is taken in place of Poisson
_HOPELESS = 1e100  # stands for a log likelihood that is minus infinity, which a search cannot step across
_NEWTON: dict[str, Any] = {"method": "newton"}
_BFGS: dict[str, Any] = {"method": "bfgs", "gtol": 1e-7}  # where Newton's long steps leave the range of alpha
_RANK_KNOWN: dict[str, Any] = {"hasconst": False, "check_rank": False}  # looked at already, in count_design
_NOT_WIDE = 0.2  # above this a first look is enough to stay with Poisson


class Family(Enum):
    """Distribution of the counts about their expectation."""

    POISSON = "Poisson"
    NEGATIVE_BINOMIAL = "negative binomial"


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
    fit, alpha, wide_p = _fit(y, exposure, design, family)
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
        quality=_quality(y, fit, alpha),
        rows=len(y),
        counts=int(y.sum()),
        cans=float(exposure.sum()),
    )


def _quality(y: FloatArray, fit: Any, alpha: float | None) -> Quality:
    mean = fit.predict()
    shape = families.Poisson() if alpha is None else families.NegativeBinomial(alpha=alpha)
    with np.errstate(all="ignore"):  # a mean near 0 under a huge count: told below
        pearson = float(((y - mean) ** 2 / shape.variance(mean)).sum())
        deviance = float(shape.deviance(y, mean))
    if not (math.isfinite(pearson) and math.isfinite(deviance)):
        raise CalcError("These counts are too unlike each other for one line: leave out what is of another kind.")
    return Quality(float(fit.llf), deviance, pearson, len(y) - len(fit.params))


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


# statsmodels comes without types, so its classes are Any to mypy, and a class of Any may not be refined unsaid.
class _Wide(NegativeBinomial):  # type: ignore[misc]
    """The library's NB2, its second derivatives made in one product where the library loops over pairs of columns.

    A fleet has a column for each machine and month: tens of thousands of pairs.
    """

    def _hessian_nb2(self, params: FloatArray) -> FloatArray:
        alpha = math.exp(params[-1]) if self._transparams else float(params[-1])
        size, x, y = 1.0 / alpha, self.exog, self.endog
        mean = self.predict(params[:-1])
        off, both = y - mean, mean + size
        cross = -((mean * off * size**2 / both**2) @ x)
        first = special.digamma(size + y) - special.digamma(size) + np.log(size / both) - off / both
        second = special.polygamma(1, size + y) - special.polygamma(1, size) + alpha - 1.0 / both + off / both**2
        among = -(x.T * (size * mean * (size + y) / both**2)) @ x
        own = float(np.sum(2.0 * size**3 * first + size**4 * second))
        return np.block([[among, cross[:, None]], [cross[None, :], np.array([[own]])]])


def _fit(y: FloatArray, cans: FloatArray, design: Design, family: Family | None) -> tuple[Any, float | None, float]:
    """Fit of the family that is asked for or called for, its alpha (None for Poisson), and p of over-dispersion."""
    expected = cans * (y.sum() / cans.sum())
    offset = np.log(expected)
    members = design.scaled[:, : design.groups]
    start = np.concatenate(
        [np.log((members.T @ y) / (members.T @ expected)), np.zeros(len(design.back) - design.groups)]
    )
    poisson = _settled(Poisson(y, design.scaled, offset=offset, **_RANK_KNOWN), start, _NEWTON)
    alpha, gain = _alpha_at(y, poisson.predict())
    p = _chance_of_gain(gain)
    if family is Family.POISSON or (family is None and p > _NOT_WIDE):
        return poisson, None, p
    start = np.append(poisson.params, alpha)
    wide = _settled(_Wide(y, design.scaled, offset=offset, **_RANK_KNOWN), start, _NEWTON, _BFGS, _NEWTON)
    p = _chance_of_gain(wide.llf - poisson.llf)
    return (poisson, None, p) if family is None and p >= _WIDE else (wide, float(wide.params[-1]), p)


def _alpha_at(y: FloatArray, mean: FloatArray) -> tuple[float, float]:
    """Likeliest alpha for these means, and what it gains in log likelihood over Poisson."""

    def lost(log_alpha: float) -> float:
        size = math.exp(-log_alpha)
        return min(_HOPELESS, -float(np.sum(stats.nbinom.logpmf(y, size, size / (size + mean)))))

    found = optimize.minimize_scalar(lost, bounds=(-14.0, 5.0), method="bounded")
    return math.exp(found.x), float(-found.fun - np.sum(stats.poisson.logpmf(y, mean)))


def _chance_of_gain(gain: float) -> float:
    """Chance of this gain in log likelihood if alpha were 0, where the half of all samples gain nothing."""
    return float(0.5 * stats.chi2.sf(2.0 * gain, 1)) if gain > 0.0 else 1.0


def _settled(model: Any, start: FloatArray, *methods: dict[str, Any]) -> Any:
    """Maximum likelihood fit by the first method that settles on a proper maximum; `CalcError` where none does."""
    for method in methods:
        try:
            with warnings.catch_warnings(), np.errstate(all="ignore"):  # what overflows on the way is found out below
                warnings.simplefilter("error", HessianInversionWarning)
                warnings.simplefilter(
                    "ignore", PerfectSeparationWarning
                )  # a line through all counts is an answer too
                fit = model.fit(start, maxiter=500, disp=0, warn_convergence=False, **method)
                likelihood = fit.llf  # kept by the fit: at an absurd alpha the library takes the logarithm of 0
        except (HessianInversionWarning, np.linalg.LinAlgError, ValueError, OverflowError):
            continue
        finite = np.isfinite([*fit.params, *fit.bse, likelihood]).all()
        proper = finite and (isinstance(model, Poisson) or fit.params[-1] > 0.0)
        if proper and fit.mle_retvals["converged"]:
            return fit
        start = np.asarray(fit.params) if proper else start
    raise CalcError("These counts do not settle on an answer: take a longer time or fewer predictors.")


def _effects(fit: Any, design: Design, log_rate: float, names: list[str], level: float) -> tuple[Effect, ...]:
    count = len(names)
    coefficients = design.back @ np.asarray(fit.params)[:count]
    coefficients[: design.groups] += log_rate
    errors = np.sqrt(np.diag(design.back @ np.asarray(fit.cov_params())[:count, :count] @ design.back.T))
    reach = float(stats.norm.isf((1.0 - level) / 2.0)) * errors
    if not (np.abs(coefficients[design.groups :]) + reach[design.groups :] < _LARGEST_EXPONENT).all():
        raise CalcError("These counts do not hold the effect within any useful range: take a longer time.")
    p = 2.0 * stats.norm.sf(np.abs(coefficients) / errors)
    rows = zip(names, coefficients, errors, coefficients - reach, coefficients + reach, p, strict=True)
    return tuple(Effect(str(name), *(float(value) for value in rest)) for name, *rest in rows)
