"""Means and drifts of a series, one value a stroke, that remembers its past.

Neighbouring strokes are alike (temperature, oil film, a bearing that turns slower than the crank), so n strokes are
worth fewer: n_eff = n/tau, tau = 1 + 2*sum of the autocorrelations. The sum is taken as Geyer's initial monotone
positive sequence (C. J. Geyer, 'Practical Markov chain Monte Carlo', Statistical Science 7, 1992, section 3.3). In a
short series that falls short, because autocorrelations are then found too small; so tau is never taken below that
of a first-order autoregressive series, (1 + phi)/(1 - phi), whose phi is corrected for that bias: it is about
-(2 + 4*phi)/n about a fitted line (Marriott and Pope 1954, and Kendall 1954, carried to a line; from memory).
A straight drift is no scatter: it is fitted and taken out first, and stated on its own.
"""

import math
from dataclasses import dataclass

import numpy as np
from statsmodels.tsa.stattools import acf

from linelog.calc.errors import CalcError
from linelog.calc.require import Floats
from linelog.calc.uncertainty import coverage_factor

LEAST_STROKES = 3
_FEWEST_EFFECTIVE = 3.0
_LONGEST_MEMORY = 0.98


@dataclass(frozen=True, slots=True)
class Mean:
    """Mean of a series with its standard error.

    `sd` is the scatter of one stroke about the drift, `n_eff` the number of independent strokes that n are worth,
    `u` = sd/sqrt(n_eff), and `half_width` the half width of the 95 % interval (Student, n_eff - 2).
    """

    value: float
    sd: float
    n: int
    n_eff: float
    u: float
    dof: float
    half_width: float


@dataclass(frozen=True, slots=True)
class Drift:
    """Slope of a series with the half width of its 95 % interval, and the change over the span that was covered."""

    slope: float
    half_width: float
    span: float

    @property
    def change(self) -> float:
        """Change over the whole span."""
        return self.slope * self.span

    @property
    def proven(self) -> bool:
        """Whether the interval of the slope leaves out zero."""
        return abs(self.slope) > self.half_width


def inefficiency(residuals: Floats) -> float:
    """Return tau >= 1, how many neighbouring values of a series of mean zero are worth one independent value."""
    if residuals.size < 4 or float(np.ptp(residuals)) <= 1e-12 * (1.0 + float(np.abs(residuals).max())):
        return 1.0
    rho = acf(residuals, nlags=min(residuals.size // 2, 2000), fft=True, adjusted=False)
    pairs = rho[: rho.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0.0)
    positive = pairs[: ends[0]] if ends.size else pairs
    geyer = 2.0 * float(np.minimum.accumulate(positive).sum()) - 1.0
    phi = min(float(rho[1]) + (2.0 + 4.0 * float(rho[1])) / residuals.size, _LONGEST_MEMORY)
    return max(1.0, geyer, (1.0 + phi) / (1.0 - phi))


def mean_and_drift(values: Floats, at: Floats) -> tuple[Mean, Drift]:
    """Mean of `values` (n) at the middle of `at`, and their drift against `at` (n: time, temperature).

    Raises `CalcError` for fewer than three values, or where `at` does not vary.
    """
    if values.size < LEAST_STROKES:
        raise CalcError(f"{values.size} strokes are too few for a mean: three are the least.", field="file")
    away = at - at.mean()
    spread = float(away @ away)
    if spread <= 0.0:
        raise CalcError("All strokes have the same time.", field="file")
    slope = float(away @ values) / spread
    residuals = values - values.mean() - slope * away
    n_eff = max(values.size / inefficiency(residuals), min(_FEWEST_EFFECTIVE, values.size))
    dof = max(n_eff - 2.0, 1.0)
    # n_eff values worth of scatter about a line of two parameters: dividing by n - 2 would be too small.
    sd = math.sqrt(float(residuals @ residuals) / values.size * n_eff / dof)
    k = coverage_factor(dof)
    u = sd / math.sqrt(n_eff)
    slope_u = sd / math.sqrt(spread * n_eff / values.size)
    mean = Mean(float(values.mean()), sd, int(values.size), n_eff, u, dof, k * u)
    return mean, Drift(slope, k * slope_u, float(np.ptp(at)))


def correlation(first: Floats, second: Floats) -> float:
    """Correlation of two series; 0 where one of them stands still."""
    a, b = first - first.mean(), second - second.mean()
    size = math.sqrt(float(a @ a) * float(b @ b))
    return float(a @ b) / size if size > 0.0 else 0.0
