"""Wall samples of a can: how far off centre the wall is, to which side, and what that says of punch and tool pack.

    t(q) = mean + e*cos(q - q0), largest less smallest = 2e    (eccentric circles: a tube's eccentricity)

q is the clock angle on the can as it stood in the machine, from 12 clockwise. The pair (x, y) points to the THICK
side: with stiff tools it is the die's centre less the punch's, which is the tool pack's offset from the ram line. The
thin side is where the punch moved to. Tools partly centre themselves, so e is as a rule a share of that offset; a
plant learns its own share from pairs of the two.

Thickness, e and offsets in um, heights on the can in mm from the dome, angles in degrees.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
import scipy

from linelog.calc.errors import CalcError
from linelog.calc.harmonics import HarmonicFit, fit_harmonics
from linelog.calc.readings import Sweep, View, clock_position, upright
from linelog.calc.require import Floats, above, number, numbers
from linelog.calc.uncertainty import Part, Planar, Scatter, planar, pool_scatter, resolution_uncertainty

FEWEST_POINTS = 4
FEWEST_PAIRS = 3
_THICKEST_UM = 5_000.0
_OUTSIDE_UM = 50_000.0


class WallState(Enum):
    """What a plant makes of the variation round a can."""

    GOOD = "good"
    FAIR = "fair"
    LOOK = "look"
    ACT = "act"


@dataclass(frozen=True, slots=True)
class WallLevels:
    """A plant's levels for largest less smallest wall, um: good up to `good`; a look from `look`; act from `act`."""

    good_um: float
    look_um: float
    act_um: float


@dataclass(frozen=True, slots=True)
class WallGauge:
    """What is known of the gauge beforehand: its step, the usual scatter of a reading, and the latter's freedom."""

    step_um: float
    usual_sd_um: float
    usual_dof: float


@dataclass(frozen=True, slots=True)
class Eccentricity:
    """The wall at one height. `thick` is (x, y) toward the thick side, its size e and its uncertainties.

    `thin_deg`: clock angle of the thin side, known to within `thin_within_deg` either way (the U of e, seen from the
    centre); both None where e is within its own uncertainty and so has no direction. `range_um`: largest less
    smallest reading of a can, the worst can. `judged_um`: the larger of that and 2e, since few points miss the
    extremes (four points half-way between them read 30 % low); `state` judges it.
    """

    cans: int
    mean_um: float
    thick: Planar
    thin_deg: float | None
    thin_within_deg: float | None
    range_um: float
    judged_um: float
    state: WallState
    scatter: Scatter


@dataclass(frozen=True, slots=True)
class Offcentre:
    """A pair (x across, y up) with the expanded uncertainty of its size: the wall's thick side, or an offset; um."""

    x_um: float
    y_um: float
    U_um: float


@dataclass(frozen=True, slots=True)
class Pair:
    """A wall eccentricity (toward the thick side) and the tool pack's measured offset of the same time, um."""

    wall_x_um: float
    wall_y_um: float
    offset_x_um: float
    offset_y_um: float


@dataclass(frozen=True, slots=True)
class Ratio:
    """Wall eccentricity for each um of offset, with its 95 % interval; `clear` where that leaves out nought.

    `up_um`: what the wall shows where the offset is nought, up alone. A ram that hangs while it is swept finds every
    pack high by its droop, so that for static offsets this is about -value * droop; 0 where it was not learned.
    `scatter_um`: standard deviation, in each direction, of a pair about it, with `scatter_dof` degrees of freedom. It
    holds what happens between a measurement and a can (drift, tools seated anew) as well as both uncertainties.
    """

    value: float
    low: float
    high: float
    pairs: int
    clear: bool
    up_um: float
    scatter_um: float
    scatter_dof: float


@dataclass(frozen=True, slots=True)
class WallAgainstOffset:
    """The wall against the tool pack's measured offset.

    `expected`: with a learned ratio, that times the offset. Without one, the share from 0 (the tools centre
    themselves) to 1 (they do not yield) of the offset that comes closest to the wall. The wall agrees where it lies
    within `allowed_um` of what is expected: the uncertainties together or, where that is larger, the circle that
    holds 95 % of the plant's own pairs (F distribution of two directions). `rigid_um`: what tools that do not yield
    would show, an upper bound: the size of the offset, the hang of the ram taken off where it was learned.
    """

    learned: bool
    rigid_um: float
    expected_x_um: float
    expected_y_um: float
    difference_um: float
    allowed_um: float
    agrees: bool


def wall_eccentricity(
    cans: Sequence[Sweep], gauge: WallGauge, levels: WallLevels, *, view: View = View.CRANK
) -> Eccentricity:
    """Return the eccentricity of the wall at one height, from the thickness round one can or several.

    cans: one `Sweep` a can, its readings being thickness, its clock angles as seen from `view`.
    Uncertainty after JCGM 100:2008: scatter about the fit pooled with the usual scatter, and the gauge's step.
    Raises CalcError for fewer than four points, a thickness that is none, and points all on one side.
    """
    _check_levels(levels)
    for can in cans:
        if len(can.angles_deg) < FEWEST_POINTS:
            raise CalcError("A wall sample needs at least 4 points round the can.", field="angles_deg")
        for angle, thickness in zip(can.angles_deg, can.readings_um, strict=True):
            above(thickness, f"The wall at {clock_position(angle)} o'clock (um)", "thickness_um", 0.0, _THICKEST_UM)
    if not cans:
        raise CalcError("There is no wall sample to work from: enter the readings first.", field="cans")
    turned = [upright(can, view, plunger_reversed=False) for can in cans]
    fit = fit_harmonics([can.angles_deg for can in turned], [can.readings_um for can in turned])
    scatter = _scatter(fit, gauge)
    thick = planar(fit.sin_um, fit.cos_um, _budget(fit, scatter, gauge.step_um))
    spread = max(max(can.readings_um) - min(can.readings_um) for can in cans)
    judged = max(spread, 2.0 * thick.size)
    clear = thick.direction_deg is not None and thick.direction_clear
    widest = max(thick.across.U, thick.up.U, thick.radial.U)
    return Eccentricity(
        cans=len(cans),
        mean_um=fit.mean_um,
        thick=thick,
        thin_deg=(thick.direction_deg + 180.0) % 360.0 if thick.direction_deg is not None and clear else None,
        thin_within_deg=math.degrees(math.asin(min(1.0, widest / thick.size))) if clear else None,
        range_um=spread,
        judged_um=judged,
        state=_state(judged, levels),
        scatter=scatter,
    )


def wall_tilt(low: Eccentricity, low_mm: float, high: Eccentricity, high_mm: float) -> Planar:
    """Return how the wall's eccentricity turns with height on the can, mm/m: (high - low) / (high_mm - low_mm).

    Not nought means that punch and die do not run parallel, or that the punch wanders along its stroke. Heights in mm
    from the dome. Raises CalcError unless the second height is above the first.
    """
    number(low_mm, "The lower height (mm)", "low_mm", 0.0, _THICKEST_UM)
    rise = number(high_mm, "The upper height (mm)", "high_mm", 0.0, _THICKEST_UM) - low_mm
    if rise <= 0.0:
        raise CalcError("The second height must be above the first.", field="high_mm")
    budget = [
        part.scaled(1.0 / rise, f"{part.name}, {where}")
        for where, wall in (("lower height", low), ("upper height", high))
        for part in wall.thick.budget
    ]
    return planar((high.thick.x - low.thick.x) / rise, (high.thick.y - low.thick.y) / rise, budget)


def learn_ratio(pairs: Sequence[Pair], level: float = 0.95, *, hanging: bool = False) -> Ratio | None:
    """Return the plant's ratio of wall eccentricity to offset; None with fewer than 3 pairs, which prove nothing.

    Least squares over both directions (x and y of every pair), interval by Student's t (`statsmodels` OLS); through
    nought, or with a constant for the up direction where the ram was `hanging` as it was swept. The offsets are
    taken as known: where their own uncertainty is as large as they are, the ratio comes out small. Raises CalcError
    for a pair that is no number and where every offset is nought or, hanging, all are alike.
    """
    if not 0.0 < level < 1.0:
        raise CalcError("The confidence level must lie between 0 and 1.", field="level")
    rows = [(p.wall_x_um, p.wall_y_um, p.offset_x_um, p.offset_y_um) for p in pairs]
    table = numbers(rows, "The wall eccentricities and offsets (um)", "pairs", -_OUTSIDE_UM, _OUTSIDE_UM)
    if len(pairs) < FEWEST_PAIRS:
        return None
    wall, offset = table[:, :2].ravel(), table[:, 2:].ravel()
    if not offset.any():
        raise CalcError("All offsets are zero, so there is nothing to learn the ratio from.", field="pairs")
    up = np.tile([0.0, 1.0], len(pairs))
    design = np.column_stack([offset, up]) if hanging else offset[:, None]
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise CalcError("All offsets are alike, so there is nothing to learn the ratio from.", field="pairs")
    from statsmodels.regression.linear_model import OLS

    fit = OLS(wall, design).fit()
    low, high = (float(end) for end in fit.conf_int(1.0 - level)[0])
    return Ratio(
        value=float(fit.params[0]),
        low=low,
        high=high,
        pairs=len(pairs),
        clear=low > 0.0 or high < 0.0,
        up_um=float(fit.params[1]) if hanging else 0.0,
        scatter_um=math.sqrt(fit.scale),
        scatter_dof=float(fit.df_resid),
    )


def against_offset(wall: Offcentre, measured: Offcentre, ratio: Ratio | None) -> WallAgainstOffset:
    """Return how the wall (toward its thick side) compares with the tool pack's measured offset of that time."""
    thick = numbers([wall.x_um, wall.y_um], "The wall's eccentricity (um)", "wall", -_OUTSIDE_UM, _OUTSIDE_UM)
    offset = numbers([measured.x_um, measured.y_um], "The offset (um)", "offset", -_OUTSIDE_UM, _OUTSIDE_UM)
    number(wall.U_um, "The uncertainty of the wall's eccentricity (um)", "wall", 0.0, _OUTSIDE_UM)
    number(measured.U_um, "The uncertainty of the offset (um)", "offset", 0.0, _OUTSIDE_UM)
    size = math.hypot(*offset)
    if ratio is None:
        expected, felt, unsure, usual = _stiff_share(thick, offset) * offset, 1.0, 0.0, 0.0
    else:
        expected = ratio.value * offset + np.array([0.0, ratio.up_um])
        felt, unsure = ratio.value, (ratio.high - ratio.low) / 2.0
        usual = ratio.scatter_um * math.sqrt(2.0 * scipy.special.fdtri(2.0, ratio.scatter_dof, 0.95))
    difference = math.hypot(*(thick - expected))
    known = ratio is not None and ratio.clear
    allowed = math.hypot(max(usual, math.hypot(wall.U_um, felt * measured.U_um)), unsure * size)
    return WallAgainstOffset(
        learned=ratio is not None,
        expected_x_um=float(expected[0]),
        expected_y_um=float(expected[1]),
        rigid_um=math.hypot(*expected) / abs(felt) if known else size,
        difference_um=difference,
        allowed_um=allowed,
        agrees=difference <= allowed,
    )


def _stiff_share(thick: Floats, offset: Floats) -> float:
    """Return the share of the offset, 0 to 1, that comes closest to the wall's eccentricity."""
    square = float(offset @ offset)
    return min(1.0, max(0.0, float(thick @ offset) / square)) if square > 0.0 else 0.0


def _scatter(fit: HarmonicFit, gauge: WallGauge) -> Scatter:
    above(gauge.step_um, "The gauge's step (um)", "step_um", 0.0, _THICKEST_UM)
    usual = above(gauge.usual_sd_um, "The usual scatter of a wall reading (um)", "usual_sd_um", 0.0, _THICKEST_UM)
    dof = above(gauge.usual_dof, "The degrees of freedom of the usual scatter", "usual_dof", 0.0, 1e6)
    return pool_scatter(fit.residual_sd_um, fit.residual_dof, usual, dof)


def _budget(fit: HarmonicFit, scatter: Scatter, step_um: float) -> list[Part]:
    def part(name: str, sd_um: float, dof: float) -> Part:
        own = fit.spread
        return Part(name, sd_um**2 * own.sin, sd_um**2 * own.cos, sd_um**2 * own.both, dof)

    return [part("scatter", scatter.sd, scatter.dof), part("gauge step", resolution_uncertainty(step_um), math.inf)]


def _state(judged_um: float, levels: WallLevels) -> WallState:
    if judged_um >= levels.act_um:
        return WallState.ACT
    if judged_um >= levels.look_um:
        return WallState.LOOK
    return WallState.GOOD if judged_um <= levels.good_um else WallState.FAIR


def _check_levels(levels: WallLevels) -> None:
    for level in (levels.good_um, levels.look_um, levels.act_um):
        above(level, "A level of wall variation (um)", "levels", 0.0, _THICKEST_UM)
    if not levels.good_um <= levels.look_um <= levels.act_um:
        raise CalcError("The levels must rise from good over look to act.", field="levels")
