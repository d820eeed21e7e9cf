"""Means and drifts of a series, one value a stroke, that remembers its past.

Neighbouring strokes are alike (temperature, oil film, a bearing that turns slower than the crank), so n strokes are
worth fewer. A short series is weighed under every memory (`memory.py`). A long one tells its own: n_eff = n/tau,
tau = 1 + 2*sum of the autocorrelations, taken as Geyer's initial monotone positive sequence (C. J. Geyer, 'Practical
Markov chain Monte Carlo', Statistical Science 7, 1992, section 3.3) and never below that of a first-order
autoregressive series, (1 + phi)/(1 - phi), whose phi is corrected for its bias of about -(2 + 4*phi)/n about a fitted
line (Marriott and Pope 1954, and Kendall 1954, carried to a line; from memory). A straight drift is no scatter: it is
fitted and taken out first, and stated on its own.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy

from linelog.calc.capture import memory
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats
from linelog.calc.uncertainty import coverage_factor, half_width_with_bound

LEAST_STROKES = 3
#: From more strokes on, a series tells its own memory.
LONG = memory.PIECE * memory.MOST_PIECES
_LONGEST_MEMORY = 0.98
#: A drift is told of two axes and three phases; one in twenty captures may be wrong about one of them (Bonferroni).
_PROVEN = 0.05 / 6.0


@dataclass(frozen=True, slots=True)
class Mean:
    """Mean of a series with its standard error.

    `sd` is the scatter of one stroke about the drift, `n_eff` the number of independent strokes that n are worth,
    `u` and `dof` are of the strokes alone, `bound` is what rounding of the file can hide on either side, and
    `half_width` the half width of the 95.45 % interval of both together.
    """

    value: float
    sd: float
    n: int
    n_eff: float
    u: float
    dof: float
    half_width: float
    bound: float = 0.0

    def rounded(self, bound: float) -> "Mean":
        """Return the same mean of readings whose rounding may hide so much on either side."""
        return replace(self, bound=bound, half_width=half_width_with_bound(self.u, self.dof, bound))


@dataclass(frozen=True, slots=True)
class Drift:
    """Slope of a series with the half width of its 95.45 % interval, and the change over the span that was covered.

    `chance` is that of so steep a slope where there is none.
    """

    slope: float
    half_width: float
    span: float
    chance: float

    @property
    def change(self) -> float:
        """Change over the whole span."""
        return self.slope * self.span

    @property
    def proven(self) -> bool:
        """Whether chance does not explain the slope, being one of several that are looked at."""
        return self.chance < _PROVEN


def inefficiency(residuals: Floats) -> float:
    """Return tau >= 1, how many neighbouring values of a series of mean zero are worth one independent value."""
    from statsmodels.tsa.stattools import acf

    if residuals.size < 4 or float(np.ptp(residuals)) <= 1e-12 * (1.0 + float(np.abs(residuals).max())):
        return 1.0
    rho = acf(residuals, nlags=min(residuals.size // 2, 2000), fft=True, adjusted=False)
    pairs = rho[: rho.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0.0)
    positive = pairs[: ends[0]] if ends.size else pairs
    geyer = 2.0 * float(np.minimum.accumulate(positive).sum()) - 1.0
    phi = min(float(rho[1]) + (2.0 + 4.0 * float(rho[1])) / residuals.size, _LONGEST_MEMORY)
    return max(1.0, geyer, (1.0 + phi) / (1.0 - phi))


def mean_and_drift(values: Floats, at: Floats, machine: Floats | None = None) -> tuple[Mean, Drift]:
    """Mean of `values` (n) at the middle of `at`, and their drift against `at` (n: time, temperature).

    `machine` is the likelihood of each memory by the machine's long captures, where there are some. Raises
    `CalcError` for fewer than three values, or where `at` does not vary.
    """
    if values.size < LEAST_STROKES:
        raise CalcError(f"{values.size} strokes are too few for a mean: three are the least.", field="file")
    away = at - at.mean()
    spread = float(away @ away)
    if spread <= 0.0:
        raise CalcError("All strokes have the same time.", field="file")
    slope = float(away @ values) / spread
    left = values - values.mean() - slope * away
    fitted = (float(values.mean()), slope, float(np.ptp(at)))
    if float(np.ptp(left)) <= 1e-12 * (1.0 + float(np.abs(values).max())):
        n = values.size
        return Mean(fitted[0], 0.0, n, float(n), 0.0, n - 2.0, 0.0), Drift(slope, 0.0, fitted[2], float(slope == 0.0))
    return _long(left, away, fitted) if values.size > LONG else _short(left, away, fitted, machine)


def _short(
    left: Floats, away: Floats, fitted: tuple[float, float, float], machine: Floats | None
) -> tuple[Mean, Drift]:
    """Weigh the mean and the slope under every memory."""
    value, slope, span = fitted
    said = memory.evidence(left, away)
    weight = memory.weights(said.likelihood, machine)
    of_mean = memory.variances(np.full(left.size, 1.0 / left.size))
    of_slope = np.sqrt(said.variance * memory.variances(away / float(away @ away)))
    u = memory.mixed(np.sqrt(said.variance * of_mean), weight, said.dof)
    slope_u = memory.mixed(of_slope, weight, said.dof)
    sd = math.exp(0.5 * float((weight * np.log(said.variance)).sum()))
    n_eff = 1.0 / float((weight * of_mean).sum())
    chance = memory.chance(slope, of_slope, weight, said.dof)
    return Mean(value, sd, left.size, n_eff, u.u, u.dof, u.half_width), Drift(slope, slope_u.half_width, span, chance)


def _long(left: Floats, away: Floats, fitted: tuple[float, float, float]) -> tuple[Mean, Drift]:
    value, slope, span = fitted
    n_eff = left.size / inefficiency(left)
    dof = max(n_eff - 2.0, 1.0)
    # n_eff values worth of scatter about a line of two parameters: dividing by n - 2 would be too small.
    sd = math.sqrt(float(left @ left) / left.size * n_eff / dof)
    k, u = coverage_factor(dof), sd / math.sqrt(n_eff)
    slope_u = sd / math.sqrt(float(away @ away) * n_eff / left.size)
    chance = 2.0 * float(scipy.special.stdtr(dof, -abs(slope) / slope_u))
    return Mean(value, sd, left.size, n_eff, u, dof, k * u), Drift(slope, k * slope_u, span, chance)


def correlation(first: Floats, second: Floats) -> float:
    """Correlation of two series; 0 where one of them stands still."""
    a, b = first - first.mean(), second - second.mean()
    size = math.sqrt(float(a @ a) * float(b @ b))
    return float(a @ b) / size if size > 0.0 else 0.0
