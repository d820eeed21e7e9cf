"""The ironing schedule of a tooling set: gaps, reductions, wall height, and what a regrind does to them.

The gap of a die is (bore - punch) / 2, and the wall that leaves it is as thick, on tools that do not yield. A
reduction by thickness is 1 - out / in; one by ring area compares pi/4 * (outside^2 - punch^2) and is a little larger,
since the ring also shrinks. Both are given; which of them a limit holds for is said with the limit. Reductions
multiply, they do not add. Wall height follows from constant volume (Hosford & Caddell, Metal Forming, on ironing).

Diameters and heights in mm, walls and gaps in um, reductions as fractions (0.25 is 25 %).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from linelog.calc.errors import CalcError
from linelog.calc.require import above, number

_WIDEST_MM, _TALLEST_MM, _THICKEST_UM = 2000.0, 5000.0, 50_000.0
_ROUNDING = 1e-9  # a reduction exactly at its limit is not above it


@dataclass(frozen=True, slots=True)
class Tooling:
    """The punch at mid wall and, where it is relieved, at top wall; the bores of the ironing dies in their order."""

    punch_mm: float
    bores_mm: tuple[float, ...]
    top_punch_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Cup:
    """The wall that meets the first die: thickness, and height where the can's wall height is asked for.

    `top_wall_mm` is the length of top wall left on the can, where the punch has a smaller diameter for it.
    """

    wall_um: float
    height_mm: float | None = None
    top_wall_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Rule:
    """The plant's largest reduction in each die, and whether it is meant by thickness or by ring area."""

    limits: tuple[float, ...]
    by: Literal["thickness", "area"] = "thickness"


@dataclass(frozen=True, slots=True)
class Step:
    """One die: its gap and what it does to the wall. A die that the wall slips through changes nothing."""

    name: str
    bore_mm: float
    gap_um: float
    wall_in_um: float
    wall_out_um: float
    by_thickness: float
    by_area: float


@dataclass(frozen=True, slots=True)
class Schedule:
    """Steps at mid wall and at top wall (none without a top-wall diameter), totals of each, and the warnings.

    `mid_total`, `top_total`: total reduction by thickness. `wall_height_mm`: of the can, untrimmed; None where the
    cup's height was not given.
    """

    mid: tuple[Step, ...]
    top: tuple[Step, ...]
    mid_total: float
    top_total: float | None
    wall_height_mm: float | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Regrind:
    """What is taken off, on diameter, mm: the punch gets smaller by it, each bore larger by its own."""

    punch_mm: float
    bores_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """The schedule before and after a regrind; changes are after less before."""

    before: Schedule
    after: Schedule
    mid_wall_um: float
    top_wall_um: float | None
    wall_height_mm: float | None


def ring_area_mm2(outside_mm: float, inside_mm: float) -> float:
    """Return the area of the ring between two diameters, mm2. Raises CalcError unless outside > inside >= 0."""
    number(inside_mm, "The inside diameter (mm)", "inside_mm", 0.0, _WIDEST_MM)
    number(outside_mm, "The outside diameter (mm)", "outside_mm", 0.0, _WIDEST_MM)
    if outside_mm <= inside_mm:
        raise CalcError("The outside diameter must be larger than the inside diameter.", field="outside_mm")
    return math.pi / 4.0 * (outside_mm - inside_mm) * (outside_mm + inside_mm)


def draw_ratio(from_mm: float, to_mm: float) -> float:
    """Return the draw or redraw ratio: diameter before over punch diameter."""
    above(to_mm, "The diameter after drawing (mm)", "to_mm", 0.0, _WIDEST_MM)
    return above(from_mm, "The diameter before drawing (mm)", "from_mm", 0.0, _WIDEST_MM) / to_mm


def cup_height_mm(blank_mm: float, cup_mm: float) -> float:
    """Return the wall height of a cup drawn at unchanged thickness with a sharp corner: (D^2 - d^2) / 4d, mm."""
    above(cup_mm, "The cup diameter (mm)", "cup_mm", 0.0, _WIDEST_MM)
    if number(blank_mm, "The blank diameter (mm)", "blank_mm", 0.0, _WIDEST_MM) <= cup_mm:
        raise CalcError("The blank must be larger than the cup drawn from it.", field="blank_mm")
    return (blank_mm - cup_mm) * (blank_mm + cup_mm) / (4.0 * cup_mm)


def schedule(tooling: Tooling, cup: Cup, rule: Rule | None = None) -> Schedule:
    """Return what each die does to the cup's wall, with warnings above the rule's limits and of dies that do nothing.

    Raises CalcError where a bore is not larger than the punch, or for a rule with another number of dies.
    """
    _check(tooling, cup, rule)
    mid = _steps(tooling.punch_mm, tooling.bores_mm, cup.wall_um)
    top = () if tooling.top_punch_mm is None else _steps(tooling.top_punch_mm, tooling.bores_mm, cup.wall_um)
    return Schedule(
        mid=mid,
        top=top,
        mid_total=1.0 - mid[-1].wall_out_um / cup.wall_um,
        top_total=1.0 - top[-1].wall_out_um / cup.wall_um if top else None,
        wall_height_mm=_wall_height(tooling, cup, mid, top),
        warnings=(*_warnings(mid, rule, "mid wall"), *_warnings(top, rule, "top wall")),
    )


def reground(tooling: Tooling, regrind: Regrind) -> Tooling:
    """Return the tooling after the regrind. Raises CalcError for negative amounts or another number of dies."""
    if len(regrind.bores_mm) != len(tooling.bores_mm):
        raise CalcError("Say for each ironing die how much is taken off, zero for none.", field="bores_mm")
    for amount in (regrind.punch_mm, *regrind.bores_mm):
        number(amount, "What a regrind takes off (mm)", "regrind", 0.0, 10.0)
    top = tooling.top_punch_mm
    return Tooling(
        punch_mm=tooling.punch_mm - regrind.punch_mm,
        bores_mm=tuple(bore + more for bore, more in zip(tooling.bores_mm, regrind.bores_mm, strict=True)),
        top_punch_mm=None if top is None else top - regrind.punch_mm,
    )


def what_a_regrind_does(tooling: Tooling, regrind: Regrind, cup: Cup, rule: Rule | None = None) -> Change:
    """Return both schedules and the change in wall and height. Raises CalcError as `schedule` and `reground` do."""
    return compare(schedule(tooling, cup, rule), schedule(reground(tooling, regrind), cup, rule))


def compare(before: Schedule, after: Schedule) -> Change:
    """Return what one schedule does otherwise than another; changes are after less before."""
    tall = before.wall_height_mm, after.wall_height_mm
    return Change(
        before=before,
        after=after,
        mid_wall_um=after.mid[-1].wall_out_um - before.mid[-1].wall_out_um,
        top_wall_um=after.top[-1].wall_out_um - before.top[-1].wall_out_um if before.top and after.top else None,
        wall_height_mm=None if tall[0] is None or tall[1] is None else tall[1] - tall[0],
    )


def _steps(punch_mm: float, bores_mm: Sequence[float], wall_um: float) -> tuple[Step, ...]:
    steps = []
    for place, bore in enumerate(bores_mm, start=1):
        name = f"Ironing die {place}"
        if bore <= punch_mm:
            raise CalcError(
                f"{name} ({bore:g} mm) must be larger than the punch ({punch_mm:g} mm).", field="bores_mm"
            )
        gap = (bore - punch_mm) / 2.0 * 1000.0
        out = min(wall_um, gap)
        area = _on_punch(punch_mm, out) / _on_punch(punch_mm, wall_um)
        steps.append(Step(name, bore, gap, wall_um, out, 1.0 - out / wall_um, 1.0 - area))
        wall_um = out
    return tuple(steps)


def _on_punch(punch_mm: float, wall_um: float) -> float:
    return ring_area_mm2(punch_mm + 2.0 * wall_um / 1000.0, punch_mm)


def _wall_height(tooling: Tooling, cup: Cup, mid: Sequence[Step], top: Sequence[Step]) -> float | None:
    """Return the height that the cup's metal makes, the top wall taking its length first."""
    if cup.height_mm is None:
        return None
    metal = cup.height_mm * _on_punch(tooling.punch_mm, cup.wall_um)
    length = cup.top_wall_mm if top else 0.0
    if tooling.top_punch_mm is not None:
        metal -= length * _on_punch(tooling.top_punch_mm, top[-1].wall_out_um)
    if metal < 0.0:
        raise CalcError("The cup holds too little metal for a top wall of that length.", field="top_wall_mm")
    return length + metal / _on_punch(tooling.punch_mm, mid[-1].wall_out_um)


def _warnings(steps: Sequence[Step], rule: Rule | None, where: str) -> list[str]:
    said = []
    for place, step in enumerate(steps):
        taken = step.by_area if rule is not None and rule.by == "area" else step.by_thickness
        if step.wall_out_um == step.wall_in_um:
            said.append(f"{step.name} does nothing at {where}: its gap is not smaller than the wall that reaches it.")
        elif rule is not None and taken > rule.limits[place] + _ROUNDING:
            basis = "ring area" if rule.by == "area" else "thickness"
            said.append(
                f"{step.name} takes {taken:.1%} by {basis} at {where}; the limit is {rule.limits[place]:.1%}."
            )
    return said


def _check(tooling: Tooling, cup: Cup, rule: Rule | None) -> None:
    above(tooling.punch_mm, "The punch diameter (mm)", "punch_mm", 0.0, _WIDEST_MM)
    if not tooling.bores_mm:
        raise CalcError("The tooling set needs at least one ironing die.", field="bores_mm")
    for bore in tooling.bores_mm:
        above(bore, "The bore of an ironing die (mm)", "bores_mm", 0.0, _WIDEST_MM)
    if tooling.top_punch_mm is not None:
        above(tooling.top_punch_mm, "The punch diameter at top wall (mm)", "top_punch_mm", 0.0, _WIDEST_MM)
        if tooling.top_punch_mm > tooling.punch_mm:
            raise CalcError("At top wall the punch cannot be larger than at mid wall.", field="top_punch_mm")
    above(cup.wall_um, "The cup's wall (um)", "wall_um", 0.0, _THICKEST_UM)
    number(cup.top_wall_mm, "The length of top wall (mm)", "top_wall_mm", 0.0, _TALLEST_MM)
    if cup.height_mm is not None:
        above(cup.height_mm, "The cup's wall height (mm)", "height_mm", 0.0, _TALLEST_MM)
    if rule is not None:
        if len(rule.limits) != len(tooling.bores_mm):
            raise CalcError("There must be one limit for each ironing die.", field="limits")
        for limit in rule.limits:
            above(limit, "A limit of reduction", "limits", 0.0, 1.0)
