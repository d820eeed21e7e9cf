"""Measurement uncertainty after JCGM 100:2008 (the GUM), for one quantity and for a pair (across, up).

Standard uncertainties are written u, expanded ones U = k*u. The level is 95.45 % throughout: k = 2 for many
degrees of freedom, the two-sided Student factor for few (clause G.3).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
import scipy

from linelog.calc.errors import CalcError
from linelog.calc.readings import clock_deg

LEVEL = 0.9545
_UNUSUAL_P = 0.05  # below this chance the usual scatter is no longer mixed in


class Shape(Enum):
    """Distribution assumed for a quantity known only to lie within plus or minus a half width (clause 4.3)."""

    RECTANGULAR = math.sqrt(3.0)
    TRIANGULAR = math.sqrt(6.0)
    ARCSINE = math.sqrt(2.0)


def type_b(half_width: float, shape: Shape = Shape.RECTANGULAR, *, field: str | None = None) -> float:
    """Return the standard uncertainty of a quantity within +-half_width: that over the shape's divisor."""
    if not (math.isfinite(half_width) and half_width >= 0.0):
        raise CalcError("A half width must be a number that is not negative.", field=field)
    return half_width / float(shape.value)


def resolution_uncertainty(step: float, *, field: str | None = None) -> float:
    """Return the standard uncertainty of one reading off a dial with this step, step/(2*sqrt 3) (F.2.2.1)."""
    return type_b(step / 2.0, field=field)


def combine(parts: Iterable[float]) -> float:
    """Root sum of squares of independent standard uncertainties, each already times its sensitivity."""
    return math.hypot(*parts)


def effective_dof(parts: Sequence[float], dofs: Sequence[float]) -> float:
    """Welch-Satterthwaite degrees of freedom of the combined u (equation G.2b); `math.inf` where all are infinite."""
    total = combine(parts)
    if total == 0.0:
        return math.inf
    # As shares of the total, so that a fourth power can neither overflow nor vanish.
    weight = sum((u / total) ** 4 / dof for u, dof in zip(parts, dofs, strict=True))
    return 1.0 / weight if weight > 0.0 else math.inf


def coverage_factor(dof: float, level: float = LEVEL) -> float:
    """Two-sided Student factor; 2.00 at 95.45 % for infinite `dof`. A fractional `dof` is used as it is (G.4.1)."""
    if not (dof > 0.0 and 0.0 < level < 1.0):
        raise CalcError("Degrees of freedom must be above zero and the level between 0 and 1.", field="dof")
    return float(scipy.special.stdtrit(dof, 0.5 + level / 2.0))


def half_width_with_bound(u: float, dof: float, bound: float, level: float = LEVEL) -> float:
    """Half width that holds u times a Student variable and one anywhere within +-`bound`, at `level`.

    The law of a sum is the convolution of the two laws (JCGM 101:2008, 5.2); k times the root of the summed
    variances would be too wide by a fifth where the bound decides.
    """
    if bound == 0.0 or u == 0.0:
        return coverage_factor(dof, level) * u + level * bound
    within = bound * (np.arange(200) + 0.5) / 200.0

    def short(half: float) -> float:
        inside = scipy.special.stdtr(dof, (half - within) / u) - scipy.special.stdtr(dof, (-half - within) / u)
        return float(inside.mean()) - level

    return float(
        scipy.optimize.brentq(short, 0.0, (coverage_factor(dof, level) * u + bound) * (1.0 + 1e-6), rtol=1e-6)
    )


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviation of one reading, with its degrees of freedom, and the chance of such readings."""

    sd: float
    dof: float
    chance: float  # of a residual scatter at least this large if the usual one holds; 1 where none was seen


def pool_scatter(
    residual_sd: float, residual_dof: int, usual_sd: float, usual_dof: float, step: float = 0.0
) -> Scatter:
    """Return the repeatability of a reading, from this sweep's residuals and from what is usual (clause 4.2.4).

    A four-point sweep leaves no residual to speak of and one of eight leaves three degrees of freedom: alone their
    Student factors would drown every offset. So the usual scatter is pooled in, each weighted by its degrees of
    freedom. Where an F test says (5 %) that these readings scatter more than usual, their own scatter is taken
    undiluted. It keeps the pooled degrees of freedom: six positions leave one, whose Student factor of 14 would make
    U meaningless for one sound sweep in twenty.

    Residuals also hold the rounding to the dial's `step`, of variance step^2/12: the F test expects it, and what is
    returned is free of it, since a budget has its own line for it.
    """
    if residual_dof == 0:
        return Scatter(usual_sd, usual_dof, 1.0)
    dof, rounding = residual_dof + usual_dof, resolution_uncertainty(step) ** 2
    chance = float(scipy.special.fdtrc(residual_dof, usual_dof, residual_sd**2 / (usual_sd**2 + rounding)))
    own = max(0.0, residual_sd**2 - rounding)
    if chance < _UNUSUAL_P:
        return Scatter(math.sqrt(own), dof, chance)
    return Scatter(math.sqrt((residual_dof * own + usual_dof * usual_sd**2) / dof), dof, chance)


@dataclass(frozen=True, slots=True)
class Part:
    """One line of an uncertainty budget: its covariance over (across, up) and its degrees of freedom.

    linear   a bound that is added to U as it is, in every direction: a doubt that no law of chance describes
    repeats  how many sweeps it was averaged over; None where sweeping again does not lessen it
    flat     anywhere within +-root 3 times its standard uncertainty, as rounding is (clause 4.3.7)
    """

    name: str
    var_x: float
    var_y: float
    cov_xy: float = 0.0
    dof: float | None = None  # None: known from elsewhere and taken as certain
    linear: float = 0.0
    repeats: int | None = None
    flat: bool = False

    def along(self, sin: float, cos: float) -> float:
        """Variance along the direction (sin, cos) = (across, up)."""
        return max(0.0, sin * sin * self.var_x + cos * cos * self.var_y + 2.0 * sin * cos * self.cov_xy)

    def scaled(self, factor: float, name: str | None = None) -> "Part":
        """Return the same line for both quantities multiplied by `factor`."""
        square = factor * factor
        return replace(
            self,
            name=name or self.name,
            var_x=square * self.var_x,
            var_y=square * self.var_y,
            cov_xy=square * self.cov_xy,
            linear=abs(factor) * self.linear,
        )


@dataclass(frozen=True, slots=True)
class Expanded:
    """Standard uncertainty, degrees of freedom, coverage factor; U = k*u at 95.45 %, and the linear parts to it."""

    u: float
    dof: float
    k: float
    U: float


@dataclass(frozen=True, slots=True)
class Planar:
    """A pair (x across, y up) with its uncertainties; every number in the unit of x and y.

    `direction_deg` is the clock angle it points to, from 12 clockwise, seen from the crank; it is None where the
    pair is exactly zero, and `direction_clear` is False where the size is within its own U.
    """

    x: float
    y: float
    size: float
    direction_deg: float | None
    direction_clear: bool
    across: Expanded
    up: Expanded
    radial: Expanded
    cov_xy: float
    budget: tuple[Part, ...]


def planar(x: float, y: float, budget: Sequence[Part]) -> Planar:
    """Put a pair and its budget together.

    The uncertainty of the size sqrt(x^2 + y^2) is that along its own direction, n' C n with n = (x, y)/size
    (clause 5.2.2, the correlated law; exact to first order). Where the size is within the U of the least certain
    direction its own direction is mere noise, and that least certain direction (the larger eigenvalue of C) is
    used, which cannot be too small. Near zero the size is always over-read, never under-read, so that size + U
    stays on the safe side there.
    """
    if not (math.isfinite(x) and math.isfinite(y)):
        raise CalcError("The result is not a usable number: check the readings.", field="readings_um")
    size = math.hypot(x, y)
    cov_xy = sum(part.cov_xy for part in budget)
    worst = _along(budget, *_least_certain(budget, cov_xy))
    own = _along(budget, x / size, y / size) if size > worst.U else worst
    return Planar(
        x=x,
        y=y,
        size=size,
        direction_deg=clock_deg(x, y) if size > 0.0 else None,
        direction_clear=size > worst.U,
        across=_along(budget, 1.0, 0.0),
        up=_along(budget, 0.0, 1.0),
        radial=own,
        cov_xy=cov_xy,
        budget=tuple(budget),
    )


def _least_certain(budget: Sequence[Part], cov_xy: float) -> tuple[float, float]:
    """Direction (sin, cos) of the larger eigenvalue of the summed 2x2 covariance."""
    difference = sum(part.var_x - part.var_y for part in budget)
    angle = 0.5 * math.atan2(2.0 * cov_xy, -difference)  # from 12 o'clock
    return math.sin(angle), math.cos(angle)


def _along(budget: Sequence[Part], sin: float, cos: float) -> Expanded:
    chance = [part for part in budget if not part.flat]
    parts = [math.sqrt(part.along(sin, cos)) for part in chance]
    dof = effective_dof(parts, [math.inf if part.dof is None else part.dof for part in chance])
    flat = combine(math.sqrt(part.along(sin, cos)) for part in budget if part.flat)
    u, linear = combine([*parts, flat]), sum(part.linear for part in budget)
    if flat == 0.0:
        k = coverage_factor(dof)
        return Expanded(u, dof, k, k * u + linear)
    half = half_width_with_bound(combine(parts), dof, float(Shape.RECTANGULAR.value) * flat)
    return Expanded(u, dof, half / u, half + linear)
