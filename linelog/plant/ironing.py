"""The ironing schedule of a stored tooling set: its tools now, when new, and with others tried in their place.

Reads the parts of a set, calls `calc.ironing`, stores nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from linelog.calc.errors import CalcError
from linelog.calc.ironing import Change, Cup, Rule, Schedule, Step, Tooling, compare, schedule
from linelog.calc.units import Unit
from linelog.plant.models import Plant, ToolingSet, ToolPart
from linelog.web.units import show_um

DIES = (ToolPart.Kind.IRONING_DIE_1, ToolPart.Kind.IRONING_DIE_2, ToolPart.Kind.IRONING_DIE_3)
SMALLEST_WEAR_UM = 0.05  # on diameter: below it a bore is as it was


@dataclass(frozen=True, slots=True)
class Worn:
    """A tool whose diameter is no longer what it was: the change in um on diameter, positive where it has grown."""

    name: str
    new_mm: float
    now_mm: float

    @property
    def grown_um(self) -> float:
        """How much larger it is than it was new."""
        return (self.now_mm - self.new_mm) * 1000.0

    @property
    def wall_um(self) -> float:
        """What that adds to the gap: half of it, more where a bore grew, more where a punch shrank."""
        return -self.grown_um / 2.0 if self.name == "Punch" else self.grown_um / 2.0


@dataclass(frozen=True, slots=True)
class Row:
    """One die at one place of the wall, as the table shows it; `limit` and reductions are fractions."""

    place: str
    step: Step
    new_mm: float | None
    limit: float
    over: bool

    @property
    def idle(self) -> bool:
        """Whether the wall slips through."""
        return self.step.wall_out_um == self.step.wall_in_um

    @property
    def taken(self) -> tuple[str, str, str]:
        """Reduction by thickness, by ring area, and the limit, in percent."""
        thick, area, limit = (
            f"{100.0 * part:.1f}" for part in (self.step.by_thickness, self.step.by_area, self.limit)
        )
        return thick, area, limit


@dataclass(frozen=True, slots=True)
class SetSchedule:
    """What a set does to the cup; `problem` says in a sentence why nothing can be said, where that is so."""

    cup: Cup
    rule: Rule
    tooling: Tooling | None = None
    made: Schedule | None = None
    worn: tuple[Worn, ...] = ()
    since_new: Change | None = None
    new_bores_mm: tuple[float | None, ...] = ()
    problem: str = ""

    @property
    def rows(self) -> list[Row]:
        """Return the dies at mid wall, then at top wall."""
        return list(_rows(self)) if self.made else []

    @property
    def any_over(self) -> bool:
        """Whether a step is above its limit."""
        return any(row.over for row in self.rows)

    @property
    def by_area(self) -> bool:
        """Whether the limits are meant by ring area."""
        return self.rule.by == "area"


def _rows(found: SetSchedule) -> Iterator[Row]:
    if found.made is None:
        return
    for place, steps in (("mid wall", found.made.mid), ("top wall", found.made.top)):
        for number, step in enumerate(steps):
            limit = found.rule.limits[number]
            taken = step.by_area if found.by_area else step.by_thickness
            new = found.new_bores_mm[number] if number < len(found.new_bores_mm) else None
            yield Row(place, step, new, limit, taken > limit + 1e-9)


def limits_of(plant: Plant) -> tuple[float, ...]:
    """Return the plant's largest reduction in each die, as fractions."""
    percents = (plant.ironing_limit_1_percent, plant.ironing_limit_2_percent, plant.ironing_limit_3_percent)
    return tuple(percent / 100.0 for percent in percents)


def cup_of(tooling_set: ToolingSet, plant: Plant) -> Cup:
    """Return the cup that a set works on: its own where that is stored, else the plant's."""
    own = (tooling_set.cup_wall_um, tooling_set.cup_height_mm, tooling_set.top_wall_mm)
    wall, height, top = (
        mine if mine is not None else usual
        for mine, usual in zip(own, (plant.cup_wall_um, plant.cup_height_mm, plant.top_wall_mm), strict=True)
    )
    return Cup(wall_um=wall or plant.cup_wall_um, height_mm=height, top_wall_mm=top or 0.0)


def schedule_of(tooling_set: ToolingSet, plant: Plant, parts: Sequence[ToolPart]) -> SetSchedule:
    """Return the schedule of a set from its parts."""
    cup, limits = cup_of(tooling_set, plant), limits_of(plant)
    by: Literal["area", "thickness"] = "area" if plant.ironing_limits_by == Plant.Basis.AREA else "thickness"
    try:
        punch, dies = _tools(parts)
        tooling = _tooling(punch, dies)
        rule = Rule(limits[: len(dies)], by)
        made = schedule(tooling, cup, rule)
    except CalcError as error:
        return SetSchedule(cup, Rule(limits), problem=error.message)
    worn = tuple(_worn([punch, *dies]))
    return SetSchedule(
        cup=cup,
        rule=rule,
        tooling=tooling,
        made=made,
        worn=worn,
        since_new=_since_new(punch, dies, cup, made) if worn else None,
        new_bores_mm=tuple(die.diameter_new_mm for die in dies),
    )


def _tools(parts: Sequence[ToolPart]) -> tuple[ToolPart, list[ToolPart]]:
    """Return the punch and the ironing dies in their order. Raises CalcError where the set is not whole."""
    by_kind: dict[str, list[ToolPart]] = {}
    for part in parts:
        by_kind.setdefault(part.kind, []).append(part)
    for kind in (ToolPart.Kind.PUNCH, *DIES):
        if len(by_kind.get(kind, ())) > 1:
            raise CalcError(f"The set has {len(by_kind[kind])} parts named {kind.label}: the schedule needs one.")
    punch = by_kind.get(ToolPart.Kind.PUNCH, [None])[0]
    if punch is None or punch.diameter_mm is None:
        raise CalcError("The schedule needs a punch with its diameter now.", field="punch_mm")
    dies = [by_kind[kind][0] for kind in DIES if kind in by_kind]
    if not dies:
        raise CalcError("The schedule needs at least one ironing die.", field="bores_mm")
    for kind, die in zip(DIES, dies, strict=False):
        if die.kind != kind:
            raise CalcError(f"{kind.label} is missing in the set: the schedule needs the dies before the last one.")
        if die.diameter_mm is None:
            raise CalcError(f"{kind.label} has no bore stored: the schedule needs its diameter now.")
    return punch, dies


def _tooling(punch: ToolPart, dies: Sequence[ToolPart]) -> Tooling:
    bores = tuple(die.diameter_mm or 0.0 for die in dies)
    return Tooling(punch.diameter_mm or 0.0, bores, punch.top_wall_diameter_mm)


def _worn(parts: Sequence[ToolPart]) -> Iterator[Worn]:
    for part in parts:
        if part.diameter_mm is None or part.diameter_new_mm is None:
            continue
        found = Worn(part.get_kind_display(), part.diameter_new_mm, part.diameter_mm)
        if abs(found.grown_um) >= SMALLEST_WEAR_UM:
            yield found


def _since_new(punch: ToolPart, dies: Sequence[ToolPart], cup: Cup, now: Schedule) -> Change | None:
    """Return what wear and regrinds have changed; None where the tools as they were make no schedule."""
    relief = None if punch.top_wall_diameter_mm is None else (punch.diameter_mm or 0.0) - punch.top_wall_diameter_mm
    new = punch.diameter_new_mm or punch.diameter_mm or 0.0
    bores = tuple(die.diameter_new_mm or die.diameter_mm or 0.0 for die in dies)
    try:
        before = schedule(Tooling(new, bores, None if relief is None else new - relief), cup)
    except CalcError:
        return None
    return compare(before, now)


@dataclass(frozen=True, slots=True)
class Tried:
    """Other tools tried in a set: what they would do, beside what is done now."""

    change: Change
    shown: SetSchedule


def try_tools(found: SetSchedule, tooling: Tooling, cup_wall_um: float) -> Tried:
    """Return the schedule with other diameters or another cup wall. Raises CalcError where they make none."""
    if found.made is None:
        raise CalcError(found.problem)
    cup = Cup(cup_wall_um, found.cup.height_mm, found.cup.top_wall_mm)
    made = schedule(tooling, cup, found.rule)
    shown = SetSchedule(cup, found.rule, tooling, made)
    return Tried(compare(found.made, made), shown)


def change_words(change: Change, unit: Unit) -> list[str]:
    """Say what a change of tools does to the wall and the height of the can."""
    said = [_wall_words("Mid wall", change.before.mid, change.after.mid, change.mid_wall_um, unit)]
    if change.top_wall_um is not None:
        said.append(_wall_words("Top wall", change.before.top, change.after.top, change.top_wall_um, unit))
    if change.wall_height_mm is not None:
        taller = "taller" if change.wall_height_mm > 0 else "shorter"
        far = abs(change.wall_height_mm)
        said.append(
            "The can's wall stays as tall as it is."
            if far < 0.05
            else f"The can's wall becomes {far:.1f} mm {taller} before trimming, at the same metal."
        )
    return said


def _wall_words(place: str, before: Sequence[Step], after: Sequence[Step], by_um: float, unit: Unit) -> str:
    if abs(by_um) < SMALLEST_WEAR_UM:
        return f"{place}: no change."
    was, now = (show_um(steps[-1].wall_out_um, unit, fine=True) for steps in (before, after))
    more = "thicker" if by_um > 0 else "thinner"
    return f"{place}: {was} to {now} {unit.label}, {show_um(abs(by_um), unit, with_unit=True, fine=True)} {more}."


def not_ground(found: Tooling, tried: Tooling) -> list[str]:
    """Name what no regrind can do: a bore that gets smaller, a punch that gets larger."""
    said = []
    if tried.punch_mm > found.punch_mm:
        said.append("The punch tried is larger than the one in the set: that is another punch, not a regrind.")
    for number, (now, then) in enumerate(zip(found.bores_mm, tried.bores_mm, strict=True), start=1):
        if then < now:
            said.append(f"Ironing die {number} tried is smaller than now: that is another die, not a regrind.")
    return said
