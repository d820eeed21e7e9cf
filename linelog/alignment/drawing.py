"""The drawing of a component against the ram line: exaggerated, to a stated scale, as numbers for an SVG."""

from __future__ import annotations

import math
from dataclasses import dataclass

from linelog.calc import frame
from linelog.calc.readings import View
from linelog.calc.units import Unit, from_um
from linelog.web.units import show_um

HALF = 100.0  # half the side of the drawing
ROOM = 86.0  # what the largest of limit, offset and uncertainty may take of it
STEPS_UM = {
    Unit.MM: (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 50_000),
    Unit.UM: (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 50_000),
    Unit.INCH: (2.54, 5.08, 12.7, 25.4, 50.8, 127, 254, 508, 1270, 2540, 12_700, 50_800),
}


@dataclass(frozen=True, slots=True)
class Drawing:
    """SVG coordinates: x right, y DOWN, ram line at 0, 0, viewBox -100 .. 100.

    Written out here: a template looks up for each number how the reader's country writes it.
    """

    x: str
    y: str
    limit: str
    uncertainty: str
    grid: str  # the path of all its lines
    square: str
    label: str
    target: tuple[str, str] | None = None


def _at(number: float) -> str:
    return f"{round(number, 2):g}"


def draw(
    x_um: float,
    y_um: float,
    expanded_um: float,
    limit_um: float,
    unit: Unit,
    view: View,
    *,
    target_um: tuple[float, float] | None = None,
) -> Drawing:
    """Lay out one offset of the frame as seen from `view`, with its uncertainty circle, the limit and the target.

    At least four grid squares across the limit.
    """
    x_um, y_um = frame.turn(x_um, y_um, view)
    target_um = frame.turn(*target_um, view) if target_um else None
    reach = max(math.hypot(x_um, y_um) + expanded_um, limit_um, math.hypot(*(target_um or (0.0, 0.0))))
    scale = ROOM / reach
    step = next((s for s in STEPS_UM[unit] if s * scale >= 12.0), STEPS_UM[unit][-1])
    count = min(int(HALF / (step * scale)), 8)
    lines = [_at(sign * n * step * scale) for n in range(1, count + 1) for sign in (-1, 1)]
    across = "right" if x_um >= 0 else "left"
    up = "up" if y_um >= 0 else "down"
    label = (
        f"Centre {show_um(abs(x_um), unit)} {unit.label} {across} and {show_um(abs(y_um), unit)} {unit.label} {up} "
        f"of the ram line, {frame.view_words(view)}, limit {show_um(limit_um, unit)} {unit.label}."
    )
    return Drawing(
        _at(x_um * scale),
        _at(-y_um * scale),
        _at(limit_um * scale),
        _at(expanded_um * scale),
        "".join(f"M{at} -100V100M-100 {at}H100" for at in lines),
        f"{from_um(step, unit):g} {unit.label}",
        label,
        None if target_um is None else (_at(target_um[0] * scale), _at(-target_um[1] * scale)),
    )
