"""The offset of a seat that does not lie in the plane of the probes: the path carried on along its slope.

A ring sees the ram at one z alone. Whether a path that leans is a ram that lies askew or one that moves askew it
cannot tell: the first carries on to another z, the second does not. So the path is carried on along its slope, and
the uncertainty grows by that of the slope and by what was carried, as limits of a rectangular distribution (JCGM 100,
4.3.7; derived).
"""

from linelog.calc import require
from linelog.calc.capture.stats import Mean
from linelog.calc.errors import CalcError
from linelog.calc.uncertainty import Part, Planar, planar, type_b

#: Farther than any seat of a machine is from a ring in it.
FARTHEST_MM = 5_000.0


def carried(offset: Planar, slope_x: Mean | None, slope_y: Mean | None, away_mm: float) -> Planar:
    """Return an offset in um, component less ram line, `away_mm` forward (negative: behind) of where it was seen.

    Slopes are those of the ram's path in mm/m (um/mm); without them the offset is carried on as it is, only at 0 mm.
    Raises `CalcError` for a distance without slopes.
    """
    require.number(away_mm, "The distance from the ring", "z_mm", -FARTHEST_MM, FARTHEST_MM)
    if away_mm == 0.0:
        return offset
    if slope_x is None or slope_y is None:
        raise CalcError("No slope is known to carry the path on along.", field="z_mm")
    x, y = -slope_x.value * away_mm, -slope_y.value * away_mm
    of_slope = Part(
        "slope", (slope_x.u * away_mm) ** 2, (slope_y.u * away_mm) ** 2, 0.0, min(slope_x.dof, slope_y.dof)
    )
    rounding = Part(
        "rounding of the slope",
        type_b(slope_x.bound * abs(away_mm)) ** 2,
        type_b(slope_y.bound * abs(away_mm)) ** 2,
        flat=True,
    )
    askew = Part("lying or moving askew", type_b(abs(x)) ** 2, type_b(abs(y)) ** 2)
    return planar(offset.x + x, offset.y + y, (*offset.budget, of_slope, rounding, askew))
