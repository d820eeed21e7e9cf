"""What the dial's step and the usual scatter explain: the limits that closure, return and scatter are held to.

A plant sets limits of closure and return. They are never less than a sound sweep reaches by itself: a dial read in
steps of d gives a return of one step and a closure of two for no other reason (common practice, no source), and each
reading scatters. The chances below are those of a sound sweep to be asked for again, shared out among the checks so
that they come to less than two in a hundred together.
"""

import math
from dataclasses import dataclass

import scipy

from linelog.calc.uncertainty import resolution_uncertainty

_RETURN_CHANCE = 0.003
_CLOSURE_CHANCE = 0.003
_MISREAD_CHANCE = 0.008
_EXPLAINED_SD = 2.0  # a closure beyond so many of its standard deviations is one that the dial does not explain

CLOSURE_GAIN = 2.0  # of four readings added and taken away


@dataclass(frozen=True, slots=True)
class ReadingNoise:
    """One reading of a sound sweep: its usual scatter (standard deviation) and the dial's step, um."""

    usual_sd_um: float
    step_um: float

    @property
    def sd_um(self) -> float:
        """Standard deviation of one reading, rounding (step^2/12) and all."""
        return math.hypot(self.usual_sd_um, resolution_uncertainty(self.step_um))

    def closure_limit_um(self, set_um: float, repeats: int = 1, gain: float = CLOSURE_GAIN) -> float:
        """Largest closure of a sound sweep: the limit set, or two steps, or what scatter reaches if that is more.

        `gain`: standard deviation of the closure where that of a reading is 1.
        """
        scattered = self.sd_um * _two_sided(_CLOSURE_CHANCE / repeats)
        return max(set_um, gain * max(self.step_um, scattered))

    def return_limit_um(self, set_um: float, repeats: int = 1) -> float:
        """Largest return of a sound sweep: the limit set, or one step, or what scatter reaches if that is more."""
        return max(set_um, self.step_um, math.sqrt(2.0) * self.sd_um * _two_sided(_RETURN_CHANCE / repeats))

    def misread_limit_um(self, readings: int, dof: int) -> float:
        """Largest standardised residual of a sound sweep (Bonferroni over its readings); inf without freedom.

        The usual scatter is taken as known here: held against a figure of eight degrees of freedom, half of the
        misreads of eight deviations would pass. With one degree of freedom the residual goes in jumps, those of a sum
        of readings in whole steps: half a jump is allowed for, as in any continuity correction.
        """
        if dof == 0:
            return math.inf
        single = _two_sided(_MISREAD_CHANCE / readings)
        together = math.sqrt(float(scipy.special.chdtri(dof, _MISREAD_CHANCE)))
        jump = self.step_um / math.sqrt(readings) if dof == 1 else 0.0
        return self.sd_um * min(single, together) + jump / 2.0

    def explains_closure(self, closure_um: float) -> bool:
        """Whether dial and scatter explain a closure; else half of it is a doubt about the offset."""
        return abs(closure_um) <= _EXPLAINED_SD * CLOSURE_GAIN * self.sd_um


def too_coarse(step: float, limit: float) -> bool:
    """Whether two steps of the dial exceed the station's limit of offset (or of tilt, both as tilt)."""
    return 2.0 * step > limit


def _two_sided(chance: float) -> float:
    return float(-scipy.special.ndtri(chance / 2.0))
