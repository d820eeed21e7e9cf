"""The models of `regression`, fitted by statsmodels: whoever fits one imports this module there and then.

Source: Cameron & Trivedi, Regression Analysis of Count Data (NB2: variance = mean + alpha*mean^2), as statsmodels
has it.
"""

import math
import warnings
from typing import Any

import numpy as np
import scipy
from statsmodels.discrete.discrete_model import NegativeBinomial, Poisson
from statsmodels.genmod import families
from statsmodels.tools.sm_exceptions import HessianInversionWarning, PerfectSeparationWarning

from linelog.calc.arrays import FloatArray
from linelog.calc.count_design import Design, Family
from linelog.calc.errors import CalcError

_WIDE = 0.05  # level at which the negative binomial is taken in place of Poisson
_HOPELESS = 1e100  # stands for a log likelihood that is minus infinity, which a search cannot step across
_NEWTON: dict[str, Any] = {"method": "newton"}
_BFGS: dict[str, Any] = {"method": "bfgs", "gtol": 1e-7}  # where Newton's long steps leave the range of alpha
_RANK_KNOWN: dict[str, Any] = {"hasconst": False, "check_rank": False}  # looked at already, in count_design
_NOT_WIDE = 0.2  # above this a first look is enough to stay with Poisson


class _Wide(NegativeBinomial):
    """The library's NB2, its second derivatives made in one product where the library loops over pairs of columns.

    A fleet has a column for each machine and month: tens of thousands of pairs.
    """

    def _hessian_nb2(self, params: FloatArray) -> FloatArray:
        alpha = math.exp(params[-1]) if self._transparams else float(params[-1])
        size, x, y = 1.0 / alpha, self.exog, self.endog
        mean = self.predict(params[:-1])
        off, both = y - mean, mean + size
        cross = -((mean * off * size**2 / both**2) @ x)
        first = scipy.special.digamma(size + y) - scipy.special.digamma(size) + np.log(size / both) - off / both
        second = (
            scipy.special.polygamma(1, size + y)
            - scipy.special.polygamma(1, size)
            + alpha
            - 1.0 / both
            + off / both**2
        )
        among = -(x.T * (size * mean * (size + y) / both**2)) @ x
        own = float(np.sum(2.0 * size**3 * first + size**4 * second))
        return np.block([[among, cross[:, None]], [cross[None, :], np.array([[own]])]])


def fit(y: FloatArray, cans: FloatArray, design: Design, family: Family | None) -> tuple[Any, float | None, float]:
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
        return min(_HOPELESS, -float(np.sum(scipy.stats.nbinom.logpmf(y, size, size / (size + mean)))))

    found = scipy.optimize.minimize_scalar(lost, bounds=(-14.0, 5.0), method="bounded")
    return math.exp(found.x), float(-found.fun - np.sum(scipy.stats.poisson.logpmf(y, mean)))


def _chance_of_gain(gain: float) -> float:
    """Chance of this gain in log likelihood if alpha were 0, where the half of all samples gain nothing."""
    return float(0.5 * scipy.stats.chi2.sf(2.0 * gain, 1)) if gain > 0.0 else 1.0


def _settled(model: Any, start: FloatArray, *methods: dict[str, Any]) -> Any:
    """Maximum likelihood fit by the first method that settles on a proper maximum; `CalcError` where none does."""
    for method in methods:
        try:
            with warnings.catch_warnings(), np.errstate(all="ignore"):  # what overflows on the way is found out below
                warnings.simplefilter("error", HessianInversionWarning)
                warnings.simplefilter(
                    "ignore", PerfectSeparationWarning
                )  # a line through all counts is an answer too
                found = model.fit(start, maxiter=500, disp=0, warn_convergence=False, **method)
                likelihood = found.llf  # kept by the fit: at an absurd alpha the library takes the logarithm of 0
        except (HessianInversionWarning, np.linalg.LinAlgError, ValueError, OverflowError):
            continue
        finite = np.isfinite([*found.params, *found.bse, likelihood]).all()
        proper = finite and (isinstance(model, Poisson) or found.params[-1] > 0.0)
        if proper and found.mle_retvals["converged"]:
            return found
        start = np.asarray(found.params) if proper else start
    raise CalcError("These counts do not settle on an answer: take a longer time or fewer predictors.")


def scatter(y: FloatArray, mean: FloatArray, alpha: float | None) -> tuple[float, float]:
    """Deviance and Pearson's chi-square of counts about their fitted means."""
    shape = families.Poisson() if alpha is None else families.NegativeBinomial(alpha=alpha)
    with np.errstate(all="ignore"):  # a mean near 0 under a huge count: told below
        pearson = float(((y - mean) ** 2 / shape.variance(mean)).sum())
        deviance = float(shape.deviance(y, mean))
    if not (math.isfinite(pearson) and math.isfinite(deviance)):
        raise CalcError("These counts are too unlike each other for one line: leave out what is of another kind.")
    return deviance, pearson
