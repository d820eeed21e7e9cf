"""Chance that a point known only as a two-dimensional normal lies outside a circle about the origin."""

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, one_number
from linelog.calc.errors import CalcError

# Nodes on [-1, 1]: they carry the integral below to 1e-12 for every spread down to the finest taken.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(256)
_FINEST = 1e-3  # smallest spread taken, as a share of the limit: far below what any dial shows
_REACH = 9.0  # standard deviations beyond which nothing is left of a normal


def chance_outside(mean_um: ArrayLike, cov_um2: ArrayLike, limit_um: float) -> FloatArray:
    """P(|N(mean, cov)| > limit) for k normals at once, shape (k,).

    mean_um  (k, 2) or (2,); cov_um2 (k, 2, 2), or (2, 2) for all, symmetric, not negative; limit_um above zero
    Integrates along the axis of the smaller spread, where the chance across it is a difference of two normal
    distribution functions; x = limit*sin(angle) takes the root out of the circle's edge. For equal spreads this is
    the noncentral chi-square with two degrees of freedom.
    """
    limit = one_number(limit_um, "The limit", "limit_um", above=0.0)
    mean = _shaped(mean_um, (2,), "mean_um") / limit
    cov = _shaped(cov_um2, (2, 2), "cov_um2") / limit / limit
    variances, axes = np.linalg.eigh(cov)
    if (variances[:, 0] < -1e-9 * np.maximum(1.0, variances[:, 1])).any():
        raise CalcError(
            "The spread of the drift is not a proper one: two of its numbers do not fit.", field="cov_um2"
        )
    spread = np.maximum(np.sqrt(np.maximum(variances, 0.0)), _FINEST)
    along = np.einsum("kji,kj->ki", axes, mean)
    return _outside(along[:, :1], along[:, 1:], spread[:, :1], spread[:, 1:])


def _outside(m1: FloatArray, m2: FloatArray, s1: FloatArray, s2: FloatArray) -> FloatArray:
    """Chance outside the unit circle for independent coordinates with means m, spreads s, each of shape (k, 1)."""
    first = np.arcsin(np.clip(m1 - _REACH * s1, -1.0, 1.0))
    last = np.arcsin(np.clip(m1 + _REACH * s1, -1.0, 1.0))
    half = (last - first) / 2.0
    angle = (first + last) / 2.0 + half * _NODES
    x, edge = np.sin(angle), np.cos(angle)
    density = np.exp(-0.5 * ((x - m1) / s1) ** 2) / (math.sqrt(2.0 * math.pi) * s1) * edge
    across = scipy.special.ndtr((edge - m2) / s2) - scipy.special.ndtr((-edge - m2) / s2)
    inside = half[:, 0] * ((density * across) @ _WEIGHTS)
    return np.asarray(np.clip(1.0 - inside, 0.0, 1.0))


def _shaped(values: ArrayLike, tail: tuple[int, ...], field: str) -> FloatArray:
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        array = np.empty(0)
    if array.shape == tail:
        array = array[None]
    if array.shape[1:] != tail or len(array) == 0 or not (np.abs(array) < 1e12).all():
        raise CalcError("Offsets and their spread must be usable numbers, two by two.", field=field)
    return array
