"""A straight stepped beam that rests on two points: deflection and slope anywhere, exactly.

Two supports leave the beam statically determinate, so no system of equations is solved. The beam is first clamped at
its rear end (s = 0), where curvature = moment / rigidity is integrated twice, piece by piece, as polynomials; a push
at one point bends it by the unit-load (Mohr-Maxwell) integral. Adding the two reactions and the straight line that
puts the supports where they belong gives the resting beam. Source: the unit-load and integration methods of any
strength-of-materials text (Timoshenko, Strength of Materials, Part I; Gere & Goodno, Mechanics of Materials, ch. 9).

Any consistent set of units serves (droop.py uses N and mm). Forces, deflections and reactions are positive up; s runs
from the rear end to the front end; slope = d(deflection)/ds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.errors import CalcError
from linelog.calc.require import Floats


@dataclass(frozen=True, slots=True)
class Beam:
    """A stepped beam with its loads, clamped at s = 0 until supports are given.

    `moment`, `slope` and `deflection` are the clamped beam's under its own loads; `flexibility` holds the integrals
    from 0 to s of (1, u, u^2) / rigidity. `force` and `first_moment` (about s = 0) are the sums of the loads.
    """

    length: float
    force: float
    first_moment: float
    moment: scipy.interpolate.PPoly
    slope: scipy.interpolate.PPoly
    deflection: scipy.interpolate.PPoly
    flexibility: scipy.interpolate.PPoly


def make_beam(lengths: ArrayLike, rigidity: ArrayLike, weight: ArrayLike, loads: ArrayLike = ()) -> Beam:
    """Return the beam of n pieces laid end to end from s = 0.

    lengths, rigidity (E * I), weight (load per length, negative down): shape (n,). loads: shape (k, 3), rows of
    (from s, to s, total force), spread evenly between the two or, where they are equal, at that point.
    Raises CalcError where a piece has no length or no stiffness, or a load lies off the beam.
    """
    edges = np.concatenate([[0.0], np.cumsum(np.asarray(lengths, dtype=np.float64))])
    stiff, own = np.asarray(rigidity, dtype=np.float64), np.asarray(weight, dtype=np.float64)
    rows = np.asarray(loads, dtype=np.float64).reshape(-1, 3)
    if edges.size < 2 or (np.diff(edges) <= 0).any() or (stiff <= 0).any():
        raise CalcError("Every section needs a length and a stiffness.", field="sections")
    if (rows[:, 0] > rows[:, 1]).any() or (rows[:, :2] < 0).any() or (rows[:, :2] > edges[-1]).any():
        raise CalcError("Every mass must lie on the ram, from its rear to its front edge.", field="masses")
    breaks = np.unique(np.concatenate([edges, rows[:, 0], rows[:, 1]]))
    piece = np.searchsorted(edges, breaks[:-1], side="right") - 1
    spread, points = _spread(rows, breaks)
    per_length = own[piece] + spread
    moment = _moment(breaks, per_length, points)
    slope = scipy.interpolate.PPoly(moment.c / stiff[piece], breaks).antiderivative()
    run = np.diff(breaks)
    return Beam(
        length=float(edges[-1]),
        force=float(per_length @ run + points.sum()),
        first_moment=float(per_length @ (run * (breaks[:-1] + breaks[1:]) / 2) + points @ breaks),
        moment=moment,
        slope=slope,
        deflection=slope.antiderivative(),
        flexibility=_flexibility(breaks, stiff[piece]),
    )


def reactions(beam: Beam, supports: ArrayLike) -> Floats:
    """Return the forces of the two supports on the beam, shape (..., 2), for supports at s, shape (..., 2).

    Positive pushes up, negative holds the beam down. Raises CalcError if the supports coincide or miss the beam.
    """
    at = np.asarray(supports, dtype=np.float64)
    span = at[..., 1] - at[..., 0]
    if (span <= 0).any():
        raise CalcError("The front bushing must lie in front of the rear one.", field="bushings")
    if (at[..., 0] < 0).any() or (at[..., 1] > beam.length).any():
        raise CalcError("Both bushings must have ram in them.", field="bushings")
    front = (beam.force * at[..., 0] - beam.first_moment) / span
    return np.stack([-beam.force - front, front], axis=-1)


def clamped(beam: Beam, s: ArrayLike) -> tuple[Floats, Floats]:
    """Return (deflection, slope) at s of the beam clamped at its rear end; straight on beyond the front end."""
    where = np.asarray(s, dtype=np.float64)
    on = np.clip(where, 0.0, beam.length)
    slope: Floats = beam.slope(on)
    return beam.deflection(on) + slope * (where - on), slope


def bent_by_push(beam: Beam, s: ArrayLike, at: ArrayLike) -> tuple[Floats, Floats]:
    """Return (deflection, slope) at s of the clamped beam under one unit force up at `at`; shapes broadcast."""
    where, push = np.broadcast_arrays(np.asarray(s, dtype=np.float64), np.asarray(at, dtype=np.float64))
    j0, j1, j2 = np.moveaxis(beam.flexibility(np.clip(np.minimum(where, push), 0.0, beam.length)), -1, 0)
    return where * push * j0 - (where + push) * j1 + j2, push * j0 - j1


def resting(beam: Beam, s: ArrayLike, supports: ArrayLike) -> tuple[Floats, Floats]:
    """Return (deflection, slope) at s of the beam whose two supports stand at height zero.

    s: shape (..., m); supports: shape (..., 2), rear first; the leading axes broadcast. Beyond its ends the beam is
    carried on as a straight line. Raises CalcError as `reactions` does.
    """
    where, at = np.asarray(s, dtype=np.float64), np.asarray(supports, dtype=np.float64)
    push = reactions(beam, at)
    height, slope = _free(beam, where, at, push)
    at_supports, _ = _free(beam, at, at, push)
    tilt = (at_supports[..., 1:] - at_supports[..., :1]) / (at[..., 1:] - at[..., :1])
    return height - at_supports[..., :1] - tilt * (where - at[..., :1]), slope - tilt


def bending_moment(beam: Beam, s: ArrayLike, supports: ArrayLike) -> Floats:
    """Return the bending moment at s, shape (..., m), positive where the underside is in tension."""
    where, at = np.asarray(s, dtype=np.float64), np.asarray(supports, dtype=np.float64)
    arm = np.maximum(at[..., None, :] - where[..., :, None], 0.0)
    held: Floats = (arm * reactions(beam, at)[..., None, :]).sum(-1)
    return np.asarray(beam.moment(where)) + held


def _free(beam: Beam, s: Floats, at: Floats, push: Floats) -> tuple[Floats, Floats]:
    """Bend the clamped beam under its loads and the two reactions: the right shape, not yet the right place."""
    height, slope = clamped(beam, s)
    for side in (slice(0, 1), slice(1, 2)):
        lift, turn = bent_by_push(beam, s, at[..., side])
        height, slope = height + push[..., side] * lift, slope + push[..., side] * turn
    return height, slope


def _spread(rows: Floats, breaks: Floats) -> tuple[Floats, Floats]:
    """Return the loads as force per length of each piece, and as forces at the breaks."""
    per_length, points = np.zeros(breaks.size - 1), np.zeros(breaks.size)
    for start, end, force in rows:
        first, last = np.searchsorted(breaks, [start, end])
        if start == end:
            points[first] += force
        else:
            per_length[first:last] += force / (end - start)
    return per_length, points


def _moment(breaks: Floats, per_length: Floats, points: Floats) -> scipy.interpolate.PPoly:
    """Return the bending moment at s of the loads in front of s: the integral of the shear in front."""
    run = np.diff(breaks)
    ahead = np.cumsum((per_length * run + points[1:])[::-1])[::-1]
    shear = scipy.interpolate.PPoly(np.array([-per_length, ahead]), breaks)
    behind = shear.antiderivative()
    total = behind(breaks[-1])
    coefficients = -behind.c
    coefficients[-1] += total
    return scipy.interpolate.PPoly(coefficients, breaks)


def _flexibility(breaks: Floats, stiff: Floats) -> scipy.interpolate.PPoly:
    """Return the integrals from 0 to s of (1, u, u^2) / stiff as one polynomial with three columns."""
    start, one, nil = breaks[:-1], np.ones(stiff.size), np.zeros(stiff.size)
    powers = np.array([[nil, nil, one], [nil, one, 2 * start], [one, start, start**2]])
    return scipy.interpolate.PPoly(np.moveaxis(powers / stiff, 1, 2), breaks).antiderivative()
