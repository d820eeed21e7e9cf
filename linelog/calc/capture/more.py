"""What more strokes would buy: random error falls with the root of their number.

The error of the probes' zeros does not, nor does that of the rounding of the file.
"""

import math

from linelog.calc.capture.results import More, MoreStrokes, PhaseResult
from linelog.calc.capture.stats import Mean
from linelog.calc.require import Floats
from linelog.calc.uncertainty import half_width_with_bound

_TIMES = (2, 4, 8)
_MOST = 1_000_000


def more_strokes(phases: dict[str, PhaseResult], zero_cov: Floats, wanted_um: float) -> MoreStrokes:
    """Work it out for the phase and axis known worst; `zero_cov` (2, 2) is that of the ring's zeros in um^2."""
    axes = [(name, mean) for name, each in phases.items() for mean in (each.ram_x, each.ram_y)]
    name, worst = max(axes, key=lambda each: each[1].half_width)
    zero_u = math.sqrt(max(float(zero_cov[0, 0]), float(zero_cov[1, 1])))

    def after(strokes: int) -> More:
        return More(strokes, _half_width(worst, strokes, zero_u))

    later = tuple(after(worst.n * times) for times in _TIMES)
    return MoreStrokes(name, after(worst.n), later, wanted_um, _enough(worst, zero_u, wanted_um))


def _half_width(mean: Mean, strokes: int, zero_u: float) -> float:
    times = strokes / mean.n
    u = mean.u / math.sqrt(times)
    total = math.hypot(u, zero_u)
    # Welch-Satterthwaite with certain zeros (JCGM 100, G.4.1).
    dof = max(mean.dof * times, 1.0) * (total / u) ** 4 if u > 0.0 else math.inf
    return half_width_with_bound(total, dof, mean.bound)


def _enough(mean: Mean, zero_u: float, wanted_um: float) -> int | None:
    """Fewest strokes, to about a hundredth, that bring the half width to `wanted_um`; None where none do."""
    if _half_width(mean, _MOST, zero_u) > wanted_um:
        return None
    low, high = 3, _MOST
    while high - low > max(1, low // 100):
        middle = (low + high) // 2
        low, high = (low, middle) if _half_width(mean, middle, zero_u) <= wanted_um else (middle, high)
    return high
