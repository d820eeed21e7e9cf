"""Where the ram is for a crank angle, which phase of the stroke that is, and the bins that a stroke is cut into.

Crank angle q is in degrees, 0 at the rear dead centre and 180 at full forward; ram position s in mm forward of the
rear dead centre. The crank stands behind the ram, so with r = stroke/2 and rod length l, and p = q - 180,
stroke - s = r(1 - cos p) + l(1 - sqrt(1 - (r/l)^2 sin^2 p)): slider-crank kinematics, counted from full forward.
"""

from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from linelog.calc import require
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats


class Phase(Enum):
    """The three parts of a stroke that are looked at apart."""

    FORWARD = "forward"
    DOME = "dome"
    RETURN = "return"


@dataclass(frozen=True, slots=True)
class Crank:
    """Stroke, rod length, and the crank windows of the phases: forward ends where dome begins, and so on.

    The default windows are common practice, no source.
    """

    stroke_mm: float
    rod_mm: float
    forward_from_deg: float = 20.0
    dome_from_deg: float = 170.0
    dome_to_deg: float = 190.0
    return_to_deg: float = 340.0


@dataclass(frozen=True, slots=True)
class Bins:
    """Consecutive bins of a stroke: `edges_deg` (B + 1), and of each bin its phase, mean position and mid angle.

    The mean position is that of its time, as its readings are; `middle_mm` lies midway between its ends.

    Forward and return bins are equally long in ram position, dome bins equally long in crank angle.
    """

    edges_deg: Floats
    phases: tuple[Phase, ...]
    position_mm: Floats
    middle_mm: Floats
    angle_deg: Floats

    def of(self, phase: Phase) -> list[int]:
        """Return the indices of the bins of a phase."""
        return [index for index, each in enumerate(self.phases) if each is phase]


def check_crank(crank: Crank) -> None:
    """Raise `CalcError` unless the crank can turn and its windows are in order."""
    require.above(crank.stroke_mm, "The stroke", "stroke_mm", 0.0, 5000.0)
    require.number(crank.rod_mm, "The rod length", "rod_mm", 0.0, 50_000.0)
    if crank.rod_mm <= crank.stroke_mm / 2.0:
        raise CalcError("The rod must be longer than half the stroke, else the crank cannot turn.", field="rod_mm")
    windows = [crank.forward_from_deg, crank.dome_from_deg, crank.dome_to_deg, crank.return_to_deg]
    require.numbers(windows, "The crank windows", "forward_from_deg", 0.0, 360.0)
    ordered = all(b - a >= 1.0 for a, b in pairwise(windows))
    if not (ordered and windows[1] <= 180.0 <= windows[2]):
        raise CalcError(
            "The crank windows must follow one another: forward, dome with 180° (full forward) in it, return.",
            field="dome_from_deg",
        )


def ram_position_mm(crank: Crank, angle_deg: ArrayLike) -> Floats:
    """Ram position forward of the rear dead centre for crank angles of any shape."""
    turned = np.radians(np.asarray(angle_deg, dtype=np.float64) - 180.0)
    radius, rod = crank.stroke_mm / 2.0, crank.rod_mm
    behind = radius * (1.0 - np.cos(turned)) + rod * (1.0 - np.sqrt(1.0 - (radius / rod * np.sin(turned)) ** 2))
    return np.asarray(crank.stroke_mm - behind)


def forward_angle_deg(crank: Crank, position_mm: ArrayLike) -> Floats:
    """Return the crank angle on the forward stroke (0 to 180) for ram positions, by the law of cosines."""
    radius, rod = crank.stroke_mm / 2.0, crank.rod_mm
    reach = rod - radius + np.asarray(position_mm, dtype=np.float64)  # from crank centre to the rod's far end
    cosine = (radius**2 + reach**2 - rod**2) / (2.0 * radius * reach)
    return 180.0 - np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))


def crank_from_motion(stroke_mm: float, rod_mm: float, forward_from_mm: float, dome_mm: float) -> Crank:
    """Return a crank whose windows come from its motion.

    Forward begins `forward_from_mm` after the rear dead centre, and the dome phase is the last `dome_mm` before full
    forward and the first after it. Raises `CalcError` where that leaves no forward stroke.
    """
    bare = Crank(stroke_mm, rod_mm)
    check_crank(bare)
    require.number(forward_from_mm, "The start of the forward stroke", "forward_from_mm", 0.0, stroke_mm)
    require.above(dome_mm, "The length of the dome phase", "dome_mm", 0.0, stroke_mm)
    begin, dome = forward_angle_deg(bare, [forward_from_mm, max(0.0, stroke_mm - dome_mm)])
    crank = Crank(stroke_mm, rod_mm, float(begin), float(dome), 360.0 - float(dome), 360.0 - float(begin))
    check_crank(crank)
    return crank


def make_bins(crank: Crank, travel: int = 24, dome: int = 10) -> Bins:
    """Cut a stroke into `travel` bins forward, `dome` bins at the dome and `travel` bins on the return."""
    forward = _edges_by_position(crank, crank.forward_from_deg, crank.dome_from_deg, travel)
    middle = np.linspace(crank.dome_from_deg, crank.dome_to_deg, dome + 1)
    back = 360.0 - _edges_by_position(crank, 360.0 - crank.return_to_deg, 360.0 - crank.dome_to_deg, travel)[::-1]
    edges = np.concatenate([forward, middle[1:], back[1:]])
    inside = np.linspace(edges[:-1], edges[1:], 33)
    phases = (Phase.FORWARD,) * travel + (Phase.DOME,) * dome + (Phase.RETURN,) * travel
    position = np.asarray(np.trapezoid(ram_position_mm(crank, inside), axis=0)) / 32.0
    ends = ram_position_mm(crank, edges)
    return Bins(edges, phases, position, 0.5 * (ends[:-1] + ends[1:]), inside[16])


def _edges_by_position(crank: Crank, from_deg: float, to_deg: float, count: int) -> Floats:
    ends = ram_position_mm(crank, [from_deg, to_deg])
    edges = forward_angle_deg(crank, np.linspace(ends[0], ends[1], count + 1))
    edges[[0, -1]] = from_deg, to_deg
    return edges
