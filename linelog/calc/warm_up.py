"""How an offset tends to its steady value while a machine warms up: a first-order lag fitted to captures over hours.

A body that takes up heat at a steady rate and loses it in proportion to what it is warmer than its surroundings
(Newton's law of cooling) nears its steady temperature as exp(-t/tau), and what grows with its temperature does too:
y = steady + amplitude * exp(-t/tau). Fitted by scipy's `curve_fit` with the captures' own standard uncertainties, in
ln tau, which keeps tau above zero. Near one tau of data the estimate of the steady value is far from normal, so its
interval is the likelihood's: every steady value that some amplitude and tau make fit nearly as well as the best
(profile likelihood; Bates and Watts, Nonlinear Regression Analysis, 1988, chapter 6; from memory).
"""

import math
import warnings
from dataclasses import dataclass
from enum import Enum

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, not_negative, numbers, one_number, positive, same_length
from linelog.calc.uncertainty import LEVEL

#: Captures from which on a curve of three parameters is held against anything.
FEWEST = 4
_CHANGE_P = 0.05  # below this chance of a level the offset has changed
_MISFIT_P = (
    0.01  # below this chance of such scatter about the curve the captures' own uncertainty does not explain it
)
_TAUS = np.geomspace(0.01, 100.0, 801)  # looked at, as shares of the time between the first and the last capture


class Said(Enum):
    """What the captures carry: a steady value, or why none is told."""

    STEADY = "steady"
    FEW = "few"
    LEVEL = "level"
    FAST = "fast"
    SHORT = "short"


@dataclass(frozen=True, slots=True)
class Curve:
    """A first-order lag: um and minutes; intervals at 95.45 %.

    `covariance` (3, 3) is that of (steady, amplitude, ln tau) as `curve_fit` gives it. `widened` is the factor on the
    captures' uncertainties where they scatter more about the curve than those explain, else 1.
    """

    steady_um: float
    amplitude_um: float
    tau_min: float
    covariance: FloatArray
    steady_low_um: float
    steady_high_um: float
    tau_low_min: float
    tau_high_min: float
    widened: float

    def at(self, minutes: ArrayLike) -> FloatArray:
        """Offset in um so many minutes after the start."""
        lag = np.exp(-np.asarray(minutes, dtype=np.float64) / self.tau_min)
        return np.asarray(self.steady_um + self.amplitude_um * lag, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class WarmUp:
    """What `captures` over `span_min` minutes say; `curve` is None unless a steady value is told.

    `tau_min` is the time constant found, also where too little of it was seen to tell a steady value.
    """

    said: Said
    captures: int
    span_min: float
    tau_min: float | None = None
    curve: Curve | None = None


@dataclass(frozen=True, slots=True)
class _Profile:
    """The best fit under each tau: its chi square, the steady value and its standard uncertainty; (taus,) each."""

    tau: FloatArray
    chi2: FloatArray
    steady: FloatArray
    u: FloatArray


def warm_up(minutes: ArrayLike, offset_um: ArrayLike, u_um: ArrayLike, *, shared_u_um: float = 0.0) -> WarmUp:
    """Fit the warm-up of one offset along one axis, and say what it tends to or why that is not told.

    minutes      (n,) since the start, 0 or more, in any order
    offset_um    (n,) signed offset of each capture
    u_um         (n,) standard uncertainty of each on its own, above zero
    shared_u_um  standard uncertainty that all have in common (the zeros of the probes): it moves the whole curve, so
                 it widens the interval of the steady value and counts for nothing in the fit

    A steady value is told from four captures on, where the offset changed, over at least one time constant, where the
    covariance is finite and the data bound it. Raises `CalcError` for what is no number and columns of unlike length.
    """
    at, y = not_negative(minutes, "Minutes since the start", "minutes"), numbers(offset_um, "Offsets", "offset_um")
    u = positive(u_um, "Uncertainties of the captures", "u_um")
    same_length([at, y, u], "minutes")
    shared = one_number(shared_u_um, "The shared uncertainty", "shared_u_um", above=-1e-12)
    span = float(np.ptp(at))
    if at.size < FEWEST or np.unique(at).size < FEWEST:
        return WarmUp(Said.FEW, int(at.size), span)
    if _is_level(y, u):
        return WarmUp(Said.LEVEL, int(at.size), span)
    seen = _profile(at, y, u, _TAUS * span)
    best = int(seen.chi2.argmin())
    if best == 0:
        return WarmUp(Said.FAST, int(at.size), span)
    fitted = _fit(at, y, u, seen, best)
    if best == seen.tau.size - 1 or fitted is None:
        return WarmUp(Said.SHORT, int(at.size), span)
    tau = math.exp(fitted[0][2])
    curve = _curve(fitted, _profile(at, y, u, _finer(fitted, seen.tau)), at, y, u, shared)
    if span < tau or curve is None:
        return WarmUp(Said.SHORT, int(at.size), span, tau)
    return WarmUp(Said.STEADY, int(at.size), span, tau, curve)


def _is_level(y: FloatArray, u: FloatArray) -> bool:
    """Whether one value for all captures explains them (chi-square test)."""
    weight = u**-2.0
    mean = float(weight @ y / weight.sum())
    return float(scipy.special.chdtrc(y.size - 1, (((y - mean) / u) ** 2).sum())) > _CHANGE_P


def _profile(at: FloatArray, y: FloatArray, u: FloatArray, taus: FloatArray) -> _Profile:
    """Weighted straight lines of y on exp(-t/tau), one a tau; t from the first capture on, which moves none."""
    weight = u**-2.0
    lag = np.exp(-(at - at.min()) / taus[:, None])
    total = float(weight.sum())
    lag_mean, y_mean = lag @ weight / total, float(weight @ y / total)
    away = lag - lag_mean[:, None]
    spread = (away**2) @ weight
    slope = away @ (weight * (y - y_mean)) / spread
    left = y - y_mean - slope[:, None] * away
    u_steady = np.sqrt(1.0 / total + lag_mean**2 / spread)
    return _Profile(taus, (left**2) @ weight, y_mean - slope * lag_mean, u_steady)


def _model(t: FloatArray, steady: float, amplitude: float, log_tau: float) -> FloatArray:
    return np.asarray(steady + amplitude * np.exp(-t * math.exp(-log_tau)), dtype=np.float64)


def _fit(
    at: FloatArray, y: FloatArray, u: FloatArray, seen: _Profile, best: int
) -> tuple[FloatArray, FloatArray] | None:
    """Return (steady, amplitude, ln tau) and their covariance by `curve_fit` from the best tau looked at, or None."""
    tau, steady = float(seen.tau[best]), float(seen.steady[best])
    lag = np.exp(-at / tau)
    start = (steady, float(lag @ (y - steady) / (lag @ lag)), math.log(tau))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", scipy.optimize.OptimizeWarning)  # an infinite covariance is looked at below
        try:
            found, covariance = scipy.optimize.curve_fit(
                _model, at, y, p0=start, sigma=u, absolute_sigma=True, method="trf", x_scale="jac"
            )
        except RuntimeError:  # no optimum in the steps allowed
            return None
    if not (np.isfinite(found).all() and np.isfinite(covariance).all()):
        return None
    return np.asarray(found), np.asarray(covariance)


def _finer(fitted: tuple[FloatArray, FloatArray], taus: FloatArray) -> FloatArray:
    """Return the taus looked at, closer together about the best: sure captures leave less room than one step."""
    log_tau, u = float(fitted[0][2]), math.sqrt(float(fitted[1][2, 2]))
    near = np.clip(log_tau + u * np.linspace(-6.0, 6.0, 241), math.log(taus[0]), math.log(taus[-1]))
    return np.unique(np.concatenate([taus, np.exp(near)]))


def _curve(
    fitted: tuple[FloatArray, FloatArray], seen: _Profile, at: FloatArray, y: FloatArray, u: FloatArray, shared: float
) -> Curve | None:
    """Return the curve with its intervals, None where no end of the steady value is bounded."""
    (steady, amplitude, log_tau), covariance = fitted
    least = float((((y - _model(at, steady, amplitude, log_tau)) / u) ** 2).sum())
    dof = at.size - 3
    widened, allowed = 1.0, float(scipy.special.stdtrit(math.inf, 0.5 + LEVEL / 2.0)) ** 2
    if float(scipy.special.chdtrc(dof, least)) < _MISFIT_P:
        widened = math.sqrt(least / dof)
        allowed = (float(scipy.special.stdtrit(dof, 0.5 + LEVEL / 2.0)) * widened) ** 2
    room = least + allowed - seen.chi2
    fits = room >= 0.0
    if fits[-1] or not fits.any():
        return None
    half = seen.u[fits] * np.sqrt(room[fits])
    low, high = float((seen.steady[fits] - half).min()), float((seen.steady[fits] + half).max())
    common = math.sqrt(allowed) / widened * shared
    return Curve(
        steady_um=float(steady),
        amplitude_um=float(amplitude),
        tau_min=math.exp(log_tau),
        covariance=covariance,
        steady_low_um=float(steady) - math.hypot(max(0.0, float(steady) - low), common),
        steady_high_um=float(steady) + math.hypot(max(0.0, high - float(steady)), common),
        tau_low_min=float(seen.tau[fits].min()),
        tau_high_min=float(seen.tau[fits].max()),
        widened=widened,
    )
