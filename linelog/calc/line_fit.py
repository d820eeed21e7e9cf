"""Straight line through points, with the interval of the line and of the next point: offset against strokes, say."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats
from statsmodels.regression.linear_model import OLS

from linelog.calc.arrays import FloatArray, level_of, numbers, same_length
from linelog.calc.errors import CalcError

_LEAST, _MOST = 1e-9, 1e9  # beyond them a place and the constant 1 beside it no longer fit into one float's digits


@dataclass(frozen=True, slots=True)
class LineFit:
    """Least-squares line y = intercept + slope*x, with standard errors on n - 2 degrees of freedom.

    slope_low, slope_high  interval of the slope at the level asked for
    residual_sd            scatter of the points about the line
    """

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    slope_low: float
    slope_high: float
    residual_sd: float
    dof: int
    r_squared: float
    f: float | None
    _fit: Any

    def at(self, x: ArrayLike, *, level: float = 0.95) -> "Band":
        """Line at new x, shape (k,), with the interval of the mean there and of a single further point."""
        new = numbers(x, "Values of x", "x")
        found = self._fit.get_prediction(np.column_stack([np.ones(len(new)), new]))
        alpha = 1.0 - level_of(level)
        mean, single = found.conf_int(obs=False, alpha=alpha), found.conf_int(obs=True, alpha=alpha)
        return Band(np.asarray(found.predicted), mean[:, 0], mean[:, 1], single[:, 0], single[:, 1])


@dataclass(frozen=True, slots=True)
class Band:
    """Line at k places with the interval of the mean and of the next single point, each of shape (k,)."""

    y: FloatArray
    low: FloatArray
    high: FloatArray
    next_low: FloatArray
    next_high: FloatArray


def fit_line(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> LineFit:
    """Fit n >= 3 points of which at least two differ in x, with statsmodels' least squares.

    `f` is the F ratio of slope against scatter; None where the points lie on the line exactly.
    """
    across, up = numbers(x, "Values of x", "x", least=3), numbers(y, "Values of y", "y", least=3)
    same_length([across, up], "y")
    if np.ptp(across) <= 1e-12 * np.abs(across).max():
        raise CalcError("All points lie at one place, so no line can be drawn through them.", field="x")
    if not _LEAST <= np.abs(across).max() <= _MOST:
        raise CalcError(
            "The places are too far apart or too close for one line: give them in another unit.", field="x"
        )
    fit = OLS(up, np.column_stack([np.ones(len(across)), across])).fit()
    scatter, spread = float(np.sqrt(fit.scale)), float(np.ptp(up))
    exact = scatter <= 1e-12 * max(spread, float(np.abs(up).max()))
    reach = float(stats.t.isf((1.0 - level_of(level)) / 2.0, fit.df_resid)) * float(fit.bse[1])
    return LineFit(
        intercept=float(fit.params[0]),
        slope=float(fit.params[1]),
        intercept_se=float(fit.bse[0]),
        slope_se=float(fit.bse[1]),
        slope_low=float(fit.params[1]) - reach,
        slope_high=float(fit.params[1]) + reach,
        residual_sd=scatter,
        dof=int(fit.df_resid),
        r_squared=float(fit.rsquared) if spread > 0.0 else 0.0,
        f=None if exact else float(fit.fvalue),
        _fit=fit,
    )
