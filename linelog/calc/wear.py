"""How a clearance grows with the strokes since the bushing was fitted, and when it will pass its wear limit.

A straight line by least squares (statsmodels OLS). Its crossing with the limit has the interval of Fieller's theorem
(J. R. Stat. Soc. B 16 (1954) 175-185; from memory): all x for which the line may reach the limit,
(a + b*x - limit)^2 <= t^2 * Var(a + b*x). It is bounded only where the slope is proven.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc import require
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats

FEWEST = 3
THIN = 5  # with fewer measurements a day is told with the word that it rests on few; no source
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where the line reaches the limit, with its interval, in the unit of x."""

    at: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Wear:
    """A fitted growth: um at x = 0 and um per unit of x, 95 % interval of the slope, and the crossing if proven.

    `covariance` (2, 2) is that of (start, slope).
    """

    measurements: int
    start_um: float
    slope: float
    slope_low: float
    slope_high: float
    covariance: Floats
    crossing: Crossing | None

    @property
    def proven(self) -> bool:
        """Whether it is proven to grow."""
        return self.slope_low > 0.0

    @property
    def thin(self) -> bool:
        """Whether it rests on few measurements."""
        return self.measurements < THIN


def fit_wear(x: Sequence[float], clearance_um: Sequence[float], limit_um: float, *, u_um: float = 0.0) -> Wear:
    """Fit the growth of a clearance.

    x, clearance_um   (n,) strokes in millions, or days, since it was fitted; um. u_um: standard uncertainty of one
                      measurement, below which the scatter about the line is not taken, however well few points lie

    Raises `CalcError` with fewer than three measurements, or all at one x.
    """
    import statsmodels.api as sm

    at = require.numbers(x, "The strokes", "strokes", 0.0, 1e6)
    found = require.numbers(clearance_um, "The clearance", "clearance", 0.0, 1e5)
    if require.same_length([at, found], "Each clearance needs its strokes.", "strokes") < FEWEST:
        raise CalcError(
            f"A growth takes {FEWEST} measurements of this bushing and there are {at.size}.", field="clearance"
        )
    if float(np.ptp(at)) <= 0.0:
        raise CalcError("All measurements were made at the same number of strokes.", field="strokes")
    fitted = sm.OLS(found, sm.add_constant(at)).fit()
    covariance = np.asarray(fitted.normalized_cov_params) * max(float(fitted.scale), u_um**2)
    t = float(scipy.stats.t.ppf(0.5 + LEVEL / 2.0, fitted.df_resid))
    start, slope = (float(value) for value in fitted.params)
    half = t * math.sqrt(float(covariance[1, 1]))
    crossing = _crossing(start - limit_um, slope, covariance, t) if slope - half > 0.0 else None
    return Wear(int(at.size), start, slope, slope - half, slope + half, covariance, crossing)


def _crossing(below: float, slope: float, covariance: Floats, t: float) -> Crossing:
    """Solve Fieller's quadratic for a proven slope; `below` is the line at 0 less the limit."""
    square = slope**2 - t**2 * float(covariance[1, 1])
    middle = below * slope - t**2 * float(covariance[0, 1])
    rest = below**2 - t**2 * float(covariance[0, 0])
    root = math.sqrt(max(middle**2 - square * rest, 0.0))
    return Crossing(-below / slope, (-middle - root) / square, (-middle + root) / square)
