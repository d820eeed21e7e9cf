"""Rates of many machines held against one another, so that chance on few cans does not make a bad machine.

Each machine's true rate is taken as drawn from a gamma distribution fitted to the whole fleet (empirical Bayes): few
cans pull a machine's rate to the fleet's mean, many cans leave it where it is.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, cans_of, counts_and_cans, level_of, one_number
from linelog.calc.errors import CalcError
from linelog.calc.rates import MILLION, poisson_quantile

_INTERPOLATED = 1e4  # expected counts above which a part of a count is of no account


@dataclass(frozen=True, slots=True)
class Prior:
    """Gamma distribution of the machines' true rates.

    mean    per million cans
    shape   1/(coefficient of variation squared) of the true rates
    spread  False where the machines differ by no more than chance: the shape then stands for how well the fleet's one
            rate is known
    """

    mean: float
    shape: float
    spread: bool = True


def fit_prior(counts: ArrayLike, cans: ArrayLike, *, dispersion: float = 1.0) -> Prior:
    """Fit the gamma prior to n >= 1 machines by maximum marginal likelihood.

    counts, cans  of each machine, shape (n,). Nothing counted on any machine raises `CalcError`.
    dispersion    variance of a machine's counts over that of Poisson counts; below 1 it is taken as 1. Counts and
                  cans are divided by it: so many independent counts they are worth.
    The marginal distribution is negative binomial with the cans as exposure (Efron & Hastie, Computer Age Statistical
    Inference, section 6.1), fitted with statsmodels. Its likelihood rises from equal rates exactly where the counts
    scatter more than Poisson ones; where they do not, the best fit is one rate for all.
    """
    seen, made = _worth(counts, cans, dispersion)
    total = float(seen.sum())
    if total == 0.0:
        raise CalcError("Nothing was counted on any machine, so there is nothing to rank.", field="counts")
    pooled = total / float(made.sum())
    expected = pooled * made
    if ((seen - expected) ** 2 - seen).sum() <= 0.0:
        return Prior(pooled * MILLION, total, spread=False)
    scale, alpha = _negative_binomial(seen, expected)
    if alpha * total <= 1.0:  # the true rates differ by less than the fleet's own mean is known to
        return Prior(pooled * MILLION, total, spread=False)
    return Prior(pooled * scale * MILLION, 1.0 / alpha)


def _negative_binomial(counts: FloatArray, expected: FloatArray) -> tuple[float, float]:
    """Mean over expected, and dispersion alpha (NB2); alpha 0 where the fit runs into equal rates."""
    from statsmodels.discrete.discrete_model import NegativeBinomial

    model = NegativeBinomial(counts, np.ones((len(counts), 1)), exposure=expected)
    # the simplex, since gradient methods stop short on large counts
    fit = model.fit([0.0, 0.3], method="nm", maxiter=2000, disp=0, warn_convergence=False, skip_hessian=True)
    intercept, alpha = (float(value) for value in fit.params)
    if not (fit.mle_retvals["converged"] and np.isfinite([intercept, alpha]).all()):
        raise CalcError("The spread between the machines could not be worked out from these counts.", field="counts")
    return float(np.exp(intercept)), max(alpha, 0.0)


@dataclass(frozen=True, slots=True)
class Shrunk:
    """Rates of n machines after shrinkage, each array of shape (n,), rates per million cans.

    own_weight  share of the machine's own rate in `rate`; the rest is the fleet's mean
    """

    rate: FloatArray
    low: FloatArray
    high: FloatArray
    sd: FloatArray
    own_weight: FloatArray


def shrink(
    counts: ArrayLike, cans: ArrayLike, prior: Prior, *, level: float = 0.95, dispersion: float = 1.0
) -> Shrunk:
    """Posterior mean, standard deviation and central interval of each machine's rate.

    counts, cans  shape (n,). The interval takes the prior as known: with a handful of machines it is a little short.
    dispersion    as in `fit_prior`
    Source: Hauer, Harwood, Council & Griffith, Transportation Research Record 1784 (2002) 126.
    """
    seen, made = _worth(counts, cans, dispersion)
    mean = one_number(prior.mean, "The mean rate", "prior", above=0.0) / MILLION
    shape = one_number(prior.shape, "The shape", "prior", above=0.0)
    tail = (1.0 - level_of(level)) / 2.0
    posterior, scale = shape + seen, MILLION / (shape / mean + made)
    return Shrunk(
        rate=posterior * scale,
        low=np.asarray(scipy.stats.gamma.ppf(tail, posterior, scale=scale)),
        high=np.asarray(scipy.stats.gamma.isf(tail, posterior, scale=scale)),
        sd=np.sqrt(posterior) * scale,
        own_weight=made / (shape / mean + made),
    )


def _worth(counts: ArrayLike, cans: ArrayLike, dispersion: float) -> tuple[FloatArray, FloatArray]:
    """Return counts and cans as the independent counts they are worth where they come in clusters."""
    seen, made = counts_and_cans(counts, cans)
    wide = max(1.0, one_number(dispersion, "The dispersion", "dispersion", above=0.0))
    return seen / wide, made / wide


def funnel(
    rate: float, cans: ArrayLike, *, level: float = 0.95, dispersion: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Limits that a machine with the fleet's rate stays within, for each number of cans: (low, high), shape (n,).

    rate        the fleet's, per million cans; low and high as well
    dispersion  variance of the counts over that of Poisson counts; below 1 it is taken as 1
    Exact Poisson quantiles, interpolated between whole counts so that the lines are smooth.
    Source: Spiegelhalter, Statistics in Medicine 24 (2005) 1185, appendix A.1.
    """
    made = cans_of(cans)
    wide = max(1.0, one_number(dispersion, "The dispersion", "dispersion", above=0.0))
    expected = one_number(rate, "The rate", "rate", above=-1e-12) / MILLION * made / wide
    tail = (1.0 - level_of(level)) / 2.0
    per_million = wide * MILLION / made
    return _quantile(tail, expected) * per_million, _quantile(1.0 - tail, expected) * per_million


def _quantile(chance: float, mean: FloatArray) -> FloatArray:
    whole = poisson_quantile(chance, mean)
    small = mean <= _INTERPOLATED
    count, few = np.where(small, whole, 1.0), np.where(small, mean, 1.0)
    part = (scipy.stats.poisson.cdf(count, few) - chance) / scipy.stats.poisson.pmf(count, few)
    return np.asarray(np.maximum(0.0, whole - np.where(small, part, 0.5)))
