"""Out-of-round that a sweep can't see: an allowance for it, learned from sweeps that could.

Three positions, and positions on one half of the clock, take two lobes for an offset. How oval the bores of a machine
are is told by its own sweeps at eight positions and more, which see both parts.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from linelog.calc.readings import FloatArray
from linelog.calc.uncertainty import Part, type_b

FEWEST_LEARNED = 3


@dataclass(frozen=True, slots=True)
class UsualLobes:
    """Usual size of the second harmonic: root mean square of its amplitude (um), and degrees of freedom behind it.

    `dof` is None where the size is a bound taken from elsewhere; `sweeps` that it was learned from, 0 for none.
    """

    rms_um: float
    dof: float | None = None
    sweeps: int = 0

    def unseen(self, bias: FloatArray) -> tuple[Part, ...]:
        """Return the line of the budget for lobes lying anywhere; `bias` (2, 2) as in `HarmonicFit.lobe_bias`."""
        if self.rms_um == 0.0 or not bias.any():
            return ()
        cov = self.rms_um**2 / 2.0 * (bias @ bias.T)
        var_x, var_y, cov_xy = float(cov[0, 0]), float(cov[1, 1]), float(cov[0, 1])
        return (Part("out-of-round not seen", var_x, var_y, cov_xy, self.dof),)


NO_LOBES = UsualLobes(0.0)


def learn_lobes(amplitudes_um: Sequence[float], closure_limit_um: float) -> UsualLobes:
    """Return the usual lobes of a machine from the amplitudes (um) of its sweeps that saw both parts.

    Each has two degrees of freedom. With fewer than three the plant's limit of closure bounds them: lobes of a
    quarter of it pass, and anything below is taken as equally likely (JCGM 100:2008, 4.3.7).
    """
    if len(amplitudes_um) < FEWEST_LEARNED:
        return UsualLobes(type_b(closure_limit_um / 4.0, field="closure_limit_um"))
    mean_square = math.fsum(amplitude**2 for amplitude in amplitudes_um) / len(amplitudes_um)
    return UsualLobes(math.sqrt(mean_square), 2.0 * len(amplitudes_um), len(amplitudes_um))
