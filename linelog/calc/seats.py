"""Two seats measured apart (front and rear of the cradle): the axis through both."""

import math
from dataclasses import dataclass

from linelog.calc.errors import CalcError
from linelog.calc.sweep import CENTRING, Carrier, SweepResult
from linelog.calc.uncertainty import Planar, planar


@dataclass(frozen=True, slots=True)
class SeatAxis:
    """Offset of each seat (um) and slope (dx/dz, dy/dz) of the axis through them (mm/m), seen from the crank."""

    front: Planar
    rear: Planar
    slope: Planar


def axis_from_seats(front: SweepResult, rear: SweepResult, z_front_mm: float, z_rear_mm: float) -> SeatAxis:
    """Axis through two seats at z_front_mm > z_rear_mm (z grows toward the domer).

    slope = (front - rear)/(z_front - z_rear), um/mm = mm/m. The two budgets are taken as independent. Sag and shaft
    that both seats share cancel in the difference, so this errs on the safe side; the centring of a bar, which is one
    error of the set-up and often the largest, is left out where both seats were swept from it. Raises `CalcError`
    where the front seat does not lie nearer the domer.
    """
    length_mm = z_front_mm - z_rear_mm
    if not (math.isfinite(length_mm) and length_mm > 0.0):
        raise CalcError("The front seat must lie nearer the domer than the rear seat.", field="z_front_mm")
    bar = CENTRING[Carrier.BAR]
    shared = all(any(part.name == bar for part in result.offset.budget) for result in (front, rear))
    budget = [
        part.scaled(1.0 / length_mm, f"{seat} seat: {part.name}")
        for seat, result in (("front", front), ("rear", rear))
        for part in result.offset.budget
        if not (shared and part.name == bar)
    ]
    x = (front.offset.x - rear.offset.x) / length_mm
    y = (front.offset.y - rear.offset.y) / length_mm
    return SeatAxis(front.offset, rear.offset, planar(x, y, budget))
