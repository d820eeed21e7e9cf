"""The uncertainty of a sweep by its sources, as the entry screen lists it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from linelog.calc.uncertainty import Part
from linelog.calc.units import Unit
from linelog.plant.models import Plant
from linelog.web import units


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One source of uncertainty, as text."""

    name: str
    across: str
    up: str


def budget_lines(budget: Iterable[Part], reader: Unit, of_face: Plant | None) -> tuple[BudgetLine, ...]:
    """Return the lines of a budget in the reader's units; `of_face` is the plant where they are slopes of a face."""
    return tuple(_line(part, reader, of_face) for part in budget if not part.linear)


def _line(part: Part, reader: Unit, of_face: Plant | None) -> BudgetLine:
    both = math.sqrt(part.var_x), math.sqrt(part.var_y)
    if of_face is not None:
        slopes = units.slope_unit(of_face, reader)
        return BudgetLine(part.name, *(units.show_slope(value, slopes, with_unit=True) for value in both))
    fine = reader is Unit.INCH  # a source of a few um is no ten thousandth of an inch
    return BudgetLine(part.name, *(units.show_um(value, reader, with_unit=True, fine=fine) for value in both))
