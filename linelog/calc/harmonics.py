"""Least-squares harmonics of readings taken round the clock (NIST/SEMATECH e-Handbook 2.3.4.4, any positions).

    r(t) = c + s1*sin t + c1*cos t + s2*sin 2t + c2*cos 2t

Every repeat of a sweep has its own c, since the dial may have been set to zero again between them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

import numpy as np

from linelog.calc.errors import CalcError
from linelog.calc.readings import FloatArray

# Largest condition numbers of the design, each column over the length it has where positions are equally spaced all
# round: there the number is 1. One harmonic over half a turn has about 3, over a quarter turn 12; two harmonics need
# about two thirds of a turn.
_WORST_FIRST = 6.0
_WORST_SECOND = 4.0
_NO_FREEDOM = 1e-9


class Lobes(Enum):
    """How much of an out-of-round (two lobes) the positions can show."""

    BOTH_PARTS = "both parts"
    ONE_PART = "one part"  # four positions a quarter turn apart: lobes half-way between them do not show
    NOT_SEEN = "not seen"


@dataclass(frozen=True, slots=True)
class SecondHarmonic:
    """Second harmonic in micrometres: both coefficients where both parts are seen, the amplitude of what is seen.

    cos_spread  standard deviation of cos_um for independent readings of unit variance
    """

    seen: Lobes
    sin_um: float | None
    cos_um: float | None
    amplitude_um: float | None
    cos_spread: float = 0.0


@dataclass(frozen=True, slots=True)
class Spread:
    """Variances and covariance of (s1, c1) for independent readings of unit variance."""

    sin: float
    cos: float
    both: float


@dataclass(frozen=True, slots=True)
class HarmonicFit:
    """Harmonics of a sweep and its repeats, micrometres.

    sin_um, cos_um       first harmonic
    mean_um              mean of the repeats' constants
    residual_sd_um, _dof scatter about the fit (0.0 where no degree of freedom is left)
    spread               for all readings; spread_once for one reading at each distinct position
    lobe_bias            what lobes of 1 um leave in the first harmonic: rows s1 and c1, columns s2 and c2; nothing
                         where lobes are fitted, or cancel as at 12, 3, 6, 9
    deleted_um, freedom  of each reading, repeat after repeat: how far it lies off what all the others say, and the
                         share 1 - h of a misread that shows in its residual; nan and 0 where the others say nothing
    """

    sin_um: float
    cos_um: float
    mean_um: float
    second: SecondHarmonic
    residual_sd_um: float
    residual_dof: int
    spread: Spread
    spread_once: Spread
    positions: int
    lobe_bias: FloatArray
    deleted_um: FloatArray
    freedom: FloatArray

    @property
    def worst_um(self) -> float:
        """Largest residual, each over the root of its freedom: it has the deviation of one reading; 0 without any."""
        return float(np.max(np.abs(np.nan_to_num(self.deleted_um)) * np.sqrt(self.freedom)))


def fit_harmonics(
    angles_deg: Sequence[FloatArray], readings_um: Sequence[FloatArray], *, second: bool = True
) -> HarmonicFit:
    """Fit the repeats of a sweep together.

    angles_deg and readings_um hold one array of shape (n,) for each repeat, n >= 3. From five distinct positions on
    the second harmonic is fitted as well, unless `second` is False or the positions cannot tell it from the first.
    With four, the one pattern of readings that no offset makes is set apart: at 12, 3, 6, 9 it is cos 2t, a quarter
    of the closure. It leaves the offset as it is, (R6 - R12)/2, and is not counted as scatter: bores may be oval.
    Raises `CalcError` where the positions lie so close together that they do not fix the centre.
    """
    turned = (np.mod(np.round(part, 6), 360.0) for part in angles_deg)
    layout = _layout(tuple(tuple(part.tolist()) for part in turned), second)
    model, repeats, freedom = layout.model, layout.repeats, layout.freedom
    readings = np.concatenate(readings_um)
    coefficients = model.solve(readings)
    rest = readings - model.design @ coefficients
    dof = len(readings) - len(coefficients)
    return HarmonicFit(
        sin_um=float(coefficients[repeats]),
        cos_um=float(coefficients[repeats + 1]),
        mean_um=float(np.mean(coefficients[:repeats])),
        second=_second(coefficients[repeats + 2 :], layout),
        residual_sd_um=math.sqrt(float(rest @ rest) / dof) if dof > 0 else 0.0,
        residual_dof=dof,
        spread=layout.spread,
        spread_once=layout.spread_once,
        positions=layout.positions,
        lobe_bias=layout.lobe_bias,
        deleted_um=np.divide(rest, freedom, out=np.full(len(rest), np.nan), where=freedom > 0.0),
        freedom=freedom,
    )


@dataclass(frozen=True, slots=True)
class _Layout:
    """What of a fit the positions alone decide: worked out once for all sweeps read there."""

    model: "_Model"
    repeats: int
    positions: int
    freedom: FloatArray
    lobe_bias: FloatArray
    lobe_spread: float
    are_quarters: bool
    spread: Spread
    spread_once: Spread


@lru_cache(maxsize=1024)
def _layout(turned_deg: tuple[tuple[float, ...], ...], second: bool) -> _Layout:
    """Decompose the design of a sweep and its repeats, each position from 0 up to 360 degrees."""
    turned = [np.array(part) for part in turned_deg]
    repeats = len(turned)
    places = np.unique(np.concatenate(turned))
    lobes = _lobe_basis(places) if second else _no_lobes(places)
    model = _decompose(_design(turned, places, lobes), repeats)
    if model.condition > _WORST_SECOND:  # the lobes are not told apart from an offset here
        lobes = _no_lobes(places)
        model = _decompose(_design(turned, places, lobes), repeats)
    once = model if repeats == 1 else _decompose(_design([places], places, lobes), 1)
    freedom, lobe_bias = model.freedom(), _lobe_bias(model, turned, repeats)
    for shared in (freedom, lobe_bias):
        shared.setflags(write=False)
    return _Layout(
        model=model,
        repeats=repeats,
        positions=len(places),
        freedom=freedom,
        lobe_bias=lobe_bias,
        lobe_spread=float(np.linalg.norm(model.root[-1])),
        are_quarters=bool(np.allclose(np.diff(places), 90.0, atol=1e-4)),
        spread=model.spread(repeats),
        spread_once=once.spread(1),
    )


def _waves(angles_deg: FloatArray, order: int) -> FloatArray:
    phase = order * np.radians(angles_deg)
    return np.column_stack([np.sin(phase), np.cos(phase)])


def _no_lobes(places: FloatArray) -> FloatArray:
    return np.empty((len(places), 0))


def _lobe_basis(places: FloatArray) -> FloatArray:
    """Columns, one row a place, for what is no offset: second harmonic, the odd pattern of four, or none."""
    if len(places) > 4:
        return _waves(places, 2)
    if len(places) == 4:
        offset_patterns = np.column_stack([np.ones(4), _waves(places, 1)])
        pattern = np.linalg.svd(offset_patterns.T)[2][3]  # at right angles to all three
        return np.asarray(pattern / np.max(np.abs(pattern)))[:, None]
    return _no_lobes(places)


def _design(turned: Sequence[FloatArray], places: FloatArray, lobes: FloatArray) -> FloatArray:
    """Columns: one constant a repeat, sin t, cos t, then the lobes. Shape (readings, repeats + 2 + lobes)."""
    angles = np.concatenate(turned)
    repeat_of = np.repeat(np.arange(len(turned)), [len(part) for part in turned])
    constants = (repeat_of[:, None] == np.arange(len(turned))).astype(float)
    return np.column_stack([constants, _waves(angles, 1), lobes[np.searchsorted(places, angles)]])


@dataclass(frozen=True, slots=True)
class _Model:
    """A design, decomposed: the least-squares solution of it is root @ left.T @ readings."""

    design: FloatArray
    left: FloatArray
    root: FloatArray  # root @ root.T is the inverse of the normal matrix
    condition: float

    def solve(self, readings: FloatArray) -> FloatArray:
        if self.condition > _WORST_FIRST:
            raise CalcError(
                "The positions lie too close together to find the centre: read at least half-way round the clock.",
                field="angles_deg",
            )
        return np.asarray(self.root @ (self.left.T @ readings))

    def freedom(self) -> FloatArray:
        """Return 1 - h of each reading, h its leverage; 0 where only it fixes what it is held against."""
        left = 1.0 - np.sum(self.left**2, axis=1)
        return np.where(left > _NO_FREEDOM, left, 0.0)

    def spread(self, at: int) -> Spread:
        """Of the coefficients number `at` (sin) and `at` + 1 (cos)."""
        sin, cos = self.root[at], self.root[at + 1]
        return Spread(float(sin @ sin), float(cos @ cos), float(sin @ cos))


def _decompose(design: FloatArray, repeats: int) -> _Model:
    lengths = np.full(design.shape[1], np.sqrt(len(design) / 2.0))  # of a wave at equally spaced positions
    lengths[:repeats] = np.sqrt(design[:, :repeats].sum(axis=0))
    left, singular, right = np.linalg.svd(design / lengths, full_matrices=False)
    singular = np.maximum(singular, singular[0] * np.finfo(np.float64).eps)
    return _Model(design, left, right.T / singular / lengths[:, None], float(singular[0] / singular[-1]))


def _lobe_bias(model: _Model, turned: Sequence[FloatArray], repeats: int) -> FloatArray:
    """First harmonic (2,) that the model makes of each kind of lobes of 1 um, (2, 2)."""
    lobes = _waves(np.concatenate(turned), 2)
    return np.asarray(np.round(model.solve(lobes)[repeats : repeats + 2], 9))


def _second(coefficients: FloatArray, layout: _Layout) -> SecondHarmonic:
    if len(coefficients) == 2:
        sin2, cos2 = float(coefficients[0]), float(coefficients[1])
        return SecondHarmonic(Lobes.BOTH_PARTS, sin2, cos2, math.hypot(sin2, cos2), layout.lobe_spread)
    if len(coefficients) == 1 and layout.are_quarters:
        return SecondHarmonic(Lobes.ONE_PART, None, None, abs(float(coefficients[0])))
    return SecondHarmonic(Lobes.NOT_SEEN, None, None, None)
