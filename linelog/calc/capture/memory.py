"""How far a stroke remembers those before it: what a series says of every memory, and intervals that weigh them all.

Places of single strokes are taken as a straight drift and scatter whose correlation over k strokes is share*phi^k: a
part that lives on (temperature, oil film, a bearing that turns slower than the crank) and a part that does not (the
noise of the probes). A short series cannot tell phi: an interval that rests on one estimate of it is too narrow. So
the residual likelihood of each memory of a grid is kept (restricted maximum likelihood, Patterson and Thompson,
Biometrika 58, 1971), and the interval is that of Student's laws mixed by what the memories weigh. What a
machine's long captures said of its memory is added to that.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy

from linelog.calc.require import Floats
from linelog.calc.uncertainty import LEVEL, coverage_factor

#: What n strokes are worth is n/tau, tau = (1 + phi)/(1 - phi): the grid is even in the logarithm of tau.
_TAUS = 1.25 ** np.arange(23)
PHIS = (_TAUS - 1.0) / (_TAUS + 1.0)
SHARES = np.array([0.4, 0.6, 0.8, 1.0])
#: Between even in phi and even in the logarithm of tau: so 36 strokes still hold 92 % at a memory of 0.9.
_PRIOR = 0.75 * np.repeat(np.log(np.gradient(PHIS))[:, None], SHARES.size, axis=1)
#: A longer series is looked at in pieces, each with a drift of its own.
PIECE = 120
MOST_PIECES = 4
_ONE_SD = 0.6827


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a series says of each memory (P, C): log likelihood, and variance of one stroke with its freedom."""

    likelihood: Floats
    variance: Floats
    dof: int


@dataclass(frozen=True, slots=True)
class Mixed:
    """Student's law nearest to a mixture: standard error, degrees of freedom and half width at 95.45 %."""

    u: float
    dof: float
    half_width: float


def evidence(values: Floats, at: Floats) -> Evidence:
    """Weigh the memories by a series `values` (n >= 3) about a line against `at` (n)."""
    pieces = -(-values.size // PIECE)
    shape = (PHIS.size, SHARES.size)
    likelihood, squares, dof = np.zeros(shape), np.zeros(shape), 0
    for number, rows in enumerate(np.array_split(np.arange(values.size), pieces)):
        if number == MOST_PIECES:
            break
        added, left = _restricted(values[rows], at[rows])
        likelihood, squares, dof = likelihood + added, squares + left, dof + rows.size - 2
    return Evidence(likelihood - 0.5 * dof * np.log(squares), squares / dof, dof)


def _restricted(values: Floats, at: Floats) -> tuple[Floats, Floats]:
    """Return the determinants' part of the restricted log likelihood, and the sum of squares left, both (P, C)."""
    away = at - at.mean()
    line = np.column_stack([np.ones(values.size), away / max(float(np.abs(away).max()), 1e-300)])
    own = values - line @ np.linalg.lstsq(line, values, rcond=None)[0]
    lengths, turned = _spectra(values.size)
    series, lines = own @ turned, line.T @ turned  # (P, n), (P, 2, n)
    inverse = 1.0 / (SHARES[:, None] * lengths[:, None] + 1.0 - SHARES[:, None])  # (P, C, n)
    normal = np.einsum("pcn,pin,pjn->pcij", inverse, lines, lines)
    cross = np.einsum("pcn,pin,pn->pci", inverse, lines, series)
    whole = np.einsum("pcn,pn->pc", inverse, series**2)
    fitted = (cross * np.linalg.solve(normal, cross[..., None])[..., 0]).sum(axis=-1)
    added = 0.5 * (np.log(inverse).sum(axis=-1) - np.linalg.slogdet(normal)[1])
    return added, np.maximum(whole - fitted, 1e-12 * whole + 1e-300)


@lru_cache(maxsize=8)
def _spectra(size: int) -> tuple[Floats, Floats]:
    """Eigenvalues (P, n) and eigenvectors (P, n, n) of phi^|i - j|, for every phi."""
    apart = np.abs(np.subtract.outer(np.arange(size), np.arange(size)))
    lengths, turned = np.linalg.eigh(PHIS[:, None, None] ** apart)
    return np.maximum(lengths, 0.0), turned


def variances(combination: Floats) -> Floats:
    """Variance (P, C) of a linear combination (n) of strokes of variance one, under each memory."""
    alone = float(combination @ combination)
    together = [
        2.0 * float(combination @ scipy.signal.lfilter([1.0], [1.0, -phi], combination)) - alone for phi in PHIS
    ]
    return np.outer(together, SHARES) + alone * (1.0 - SHARES)


def weights(likelihood: Floats, machine: Floats | None = None) -> Floats:
    """Return what each memory weighs (P, C), by the series itself and by the machine's long captures."""
    log = _PRIOR + likelihood + (0.0 if machine is None else machine)
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())


def mixed(scales: Floats, weight: Floats, dof: float) -> Mixed:
    """Student's law nearest to a mixture of those of `scales`: of its half widths at one sd and at 95.45 %."""
    kept = weight > 1e-6
    scale, share = scales[kept], weight[kept] / weight[kept].sum()
    wide, narrow = (_half_width(scale, share, dof, level) for level in (LEVEL, _ONE_SD))
    like = _dof_of(wide / narrow) if wide > 0.0 else float(dof)
    return Mixed(wide / coverage_factor(like), like, wide)


def chance(size: float, scales: Floats, weight: Floats, dof: float) -> float:
    """Chance of an estimate this far from zero if zero is the truth."""
    return float((weight * 2.0 * scipy.special.stdtr(dof, -abs(size) / np.maximum(scales, 1e-300))).sum())


def _half_width(scale: Floats, share: Floats, dof: float, level: float) -> float:
    top = coverage_factor(dof, level) * float(scale.max())
    if top == 0.0 or scale.size == 1:
        return top

    def short(half: float) -> float:
        return float(share @ (2.0 * scipy.special.stdtr(dof, half / scale) - 1.0)) - level

    return float(scipy.optimize.brentq(short, 0.0, top * (1.0 + 1e-9), rtol=1e-6))


def _dof_of(ratio: float) -> float:
    """Degrees of freedom of the Student law whose half widths at the two levels stand in this ratio."""

    def short(log_dof: float) -> float:
        dof = float(np.exp(log_dof))
        return coverage_factor(dof) / coverage_factor(dof, _ONE_SD) - ratio

    if short(0.0) <= 0.0:
        return 1.0
    return (
        1e6 if short(np.log(1e6)) >= 0.0 else float(np.exp(scipy.optimize.brentq(short, 0.0, np.log(1e6), rtol=1e-4)))
    )
