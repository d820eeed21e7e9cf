"""The diametral clearance of a bushing, from a ram that is moved to both of its stops with a dial beside it.

The ram is rigid and meets two bushings. Beside the bushing the full travel of the dial from stop to stop is the
clearance itself (common practice, no source). Away from it the travel also holds what the ram does in the other
bushing, by the lever (a rigid bar, derived here): with l = (z_dial - z) / (z - z_other)

    travel = |C + l * (C - s * C_other)|,   s = +1: the ram goes to the same stop there, -1: to the other, 0: it stays

An overhung ram lies on the bottom of the front bushing and against the top of the rear one, so that lifting its nose
rocks it: s = -1.
"""

import math
from dataclasses import dataclass
from enum import Enum

from linelog.calc import require
from linelog.calc.errors import CalcError
from linelog.calc.uncertainty import combine, coverage_factor, resolution_uncertainty

_FAR_MM = 5000.0
_MOST_UM = 5000.0
_NEAREST_LEVER = -0.5  # nearer to the other bushing than to this one


class OtherEnd(Enum):
    """What the ram does in the other bushing while it goes from stop to stop in this one."""

    ROCKS = "rocks"
    TOGETHER = "together"
    STAYS = "stays"


_SIGN = {OtherEnd.ROCKS: -1.0, OtherEnd.TOGETHER: 1.0, OtherEnd.STAYS: 0.0}


@dataclass(frozen=True, slots=True)
class Lever:
    """Where the dial stood, mm along the ram, and what is known of the other bushing: um, standard uncertainty."""

    dial_z_mm: float
    bushing_z_mm: float
    other_z_mm: float
    other_end: OtherEnd = OtherEnd.ROCKS
    other_um: float | None = None
    other_u_um: float = 0.0

    @property
    def arm(self) -> float:
        """How far beyond the bushing the dial stands, as a share of the distance between the two."""
        span = self.bushing_z_mm - self.other_z_mm
        if not (math.isfinite(span) and abs(span) >= 1.0):
            raise CalcError("The two bushings must lie apart.", field="dial_z_mm")
        return (self.dial_z_mm - self.bushing_z_mm) / span


@dataclass(frozen=True, slots=True)
class Clearance:
    """A diametral clearance in one direction, um, with its standard uncertainty."""

    value_um: float
    u_um: float

    @property
    def expanded_um(self) -> float:
        """U at 95.45 %."""
        return coverage_factor(math.inf) * self.u_um


def travel_um(clearance_um: float, lever: Lever) -> float:
    """Return the full travel, um, that a dial at the lever's end shows of a clearance: what a measurement inverts."""
    other = _SIGN[lever.other_end] * (lever.other_um or 0.0)
    return abs(clearance_um + lever.arm * (clearance_um - other))


def clearance(travel: float, *, step_um: float, scatter_um: float, lever: Lever | None = None) -> Clearance:
    """Work out the clearance from the full travel of the dial between the two stops, um.

    step_um     smallest step of the dial; scatter_um  usual standard deviation of one reading (a travel takes two)
    lever       None: the dial stood beside the bushing

    Raises `CalcError` for a travel out of bounds, a dial nearer to the other bushing, a lever that needs the other
    clearance where that is not known, and a travel that more than one clearance, or none, explains.
    """
    require.number(travel, "The travel in um", "travel", 0.0, _MOST_UM)
    u = math.sqrt(2.0) * combine([resolution_uncertainty(step_um, field="step_um"), scatter_um])
    arm = 0.0 if lever is None else lever.arm
    if lever is None or arm == 0.0:
        return Clearance(travel, u)
    require.number(lever.dial_z_mm, "The place of the dial in mm", "dial_z_mm", -_FAR_MM, _FAR_MM)
    if arm <= _NEAREST_LEVER:
        raise CalcError("The dial stands nearer to the other bushing: set it beside this one.", field="dial_z_mm")
    sign = _SIGN[lever.other_end]
    if sign and lever.other_um is None:
        raise CalcError(
            "With the dial away from the bushing the clearance of the other one must be known: measure that first.",
            field="dial_z_mm",
        )
    held = sign * arm * (lever.other_um or 0.0)
    return Clearance(_solve(travel, held, 1.0 + arm), combine([u, sign * arm * lever.other_u_um]) / (1.0 + arm))


def _solve(travel: float, held: float, gain: float) -> float:
    """Return the one clearance that gain * C - held = +-travel leaves possible."""
    value, mirrored = (held + travel) / gain, (held - travel) / gain
    if value < 0.0:
        raise CalcError(
            "No clearance gives so small a travel there: set the dial beside the bushing.", field="travel"
        )
    if mirrored > 0.0 and travel > 0.0:
        raise CalcError(
            "Two clearances would give this travel there: set the dial beside the bushing.", field="dial_z_mm"
        )
    return value
