"""The plant itself: its settings, shifts, lines and shim stocks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from django.db import transaction

from linelog.calc.date_code import date_code
from linelog.calc.errors import CalcError
from linelog.calc.misread import lookalikes
from linelog.plant.models import (
    DefectCode,
    FindingPlace,
    Line,
    Machine,
    Plant,
    Shift,
    ShimStock,
    ShimThickness,
    Symptom,
)
from linelog.plant.services import rows
from linelog.plant.symptoms import seed
from linelog.web import audit, followers
from linelog.web.errors import NotAllowed, Refused
from linelog.web.permissions import Permission, may

FIRST_SHIFTS = (("A", 6), ("B", 14), ("C", 22))
LINE_TAKEN = "This plant has a line of this name already."
STOCK_TAKEN = "This plant has a stock of this name already."
SHIFT_TAKEN = "This plant has a shift of this code already."
MOST_THICKNESSES = 40


def add_plant(*, by: Any, at: dt.datetime, name: str, timezone: str) -> Plant:
    """Add a plant with the usual settings, lists and three shifts to begin with; an administrator's doing."""
    if not may(by, Permission.ADMINISTER):
        raise NotAllowed("Only an administrator adds a plant.")
    with transaction.atomic():
        plant = Plant(name=name, timezone=timezone)
        rows.add(by=by, at=at, row=plant, taken="There is a plant of this name already.")
        Shift.objects.bulk_create(
            Shift(plant=plant, code=code, name=f"Shift {code}", starts=dt.time(hour)) for code, hour in FIRST_SHIFTS
        )
        seed(plant, places=FindingPlace, codes=DefectCode, symptoms=Symptom)
    return plant


def change_plant(*, by: Any, at: dt.datetime, plant: Plant, version: int, facts: Mapping[str, Any]) -> Plant:
    """Change a plant's settings; where its clock changes, visits and fittings may fall on other production days."""
    with transaction.atomic():
        before = Plant.objects.filter(pk=plant.pk).values_list("timezone", "day_starts").first()
        changed = rows.change(
            by=by,
            at=at,
            row=plant,
            version=version,
            facts=facts,
            taken="There is a plant of this name already.",
            rules=_plant_rules,
        )
        if before != (changed.timezone, changed.day_starts):
            machines = Machine.objects.filter(line__plant=changed).values_list("pk", flat=True)
            followers.tell(followers.CLOCK, plant_id=changed.pk, machines=machines, at=at)
    return changed


def _plant_rules(plant: Plant) -> None:
    if plant.repeat_out > plant.repeat_visits:
        raise Refused("It can't be out on more visits than are looked at.", field="repeat_out")
    if plant.tear_off_poor_per_million <= plant.tear_off_good_per_million:
        raise Refused("The poor level must be above the good one.", field="tear_off_poor_per_million")
    if plant.wall_look_um < plant.wall_good_um:
        raise Refused("The level to look at cannot lie below the good one.", field="wall_look_um")
    if plant.wall_act_um < plant.wall_look_um:
        raise Refused("The level to act at cannot lie below the one to look at.", field="wall_act_um")
    try:
        lookalikes(plant.mark_lookalikes)
        if plant.date_code:
            date_code(plant.date_code)
    except CalcError as error:
        raise Refused(error.message, field=error.field) from None


def add_shift(*, by: Any, at: dt.datetime, plant: Plant, code: str, name: str, starts: dt.time) -> Shift:
    """Add a shift to a plant."""
    rows.check_mine(by, plant)
    shift = Shift(plant=plant, code=code, name=name, starts=starts)
    _shift_rules(shift)
    return rows.add(by=by, at=at, row=shift, taken=SHIFT_TAKEN)


def change_shift(*, by: Any, at: dt.datetime, shift: Shift, version: int, facts: Mapping[str, Any]) -> Shift:
    """Change a shift's code, name or start."""
    return rows.change(by=by, at=at, row=shift, version=version, facts=facts, taken=SHIFT_TAKEN, rules=_shift_rules)


def _shift_rules(shift: Shift) -> None:
    others = Shift.objects.filter(plant_id=shift.plant_id).exclude(pk=shift.pk)
    if others.filter(code=shift.code).exists():
        raise Refused(SHIFT_TAKEN, field="code")
    same = others.filter(starts=shift.starts).first()
    if same:
        raise Refused(f"Shift {same} starts at this time already.", field="starts")


def remove_shift(*, by: Any, at: dt.datetime, shift: Shift, version: int) -> None:
    """Remove a shift that no count uses."""
    sentence = f"Counts are stored under shift {shift}: it can be renamed, but not removed."
    rows.remove(by=by, at=at, row=shift, version=version, in_use=sentence)


def add_line(*, by: Any, at: dt.datetime, plant: Plant, name: str) -> Line:
    """Add a line to a plant."""
    rows.check_mine(by, plant)
    return rows.add(by=by, at=at, row=Line(plant=plant, name=name), taken=LINE_TAKEN)


def rename_line(*, by: Any, at: dt.datetime, line: Line, version: int, name: str) -> Line:
    """Give a line another name."""
    return rows.change(by=by, at=at, row=line, version=version, facts={"name": name}, taken=LINE_TAKEN)


def remove_line(*, by: Any, at: dt.datetime, line: Line, version: int) -> None:
    """Remove a line that has no machine."""
    sentence = f"{line} has machines: move them to another line first."
    rows.remove(by=by, at=at, row=line, version=version, in_use=sentence)


def add_stock(
    *,
    by: Any,
    at: dt.datetime,
    plant: Plant,
    name: str,
    thicknesses_um: Sequence[float],
    at_hand: Mapping[float, int] | None = None,
) -> ShimStock:
    """Add a shim stock with its thicknesses, and the pieces at hand of those that were counted."""
    rows.check_mine(by, plant)
    _check_thicknesses(thicknesses_um)
    with transaction.atomic():
        extra = {"thicknesses_um": list(thicknesses_um)}
        stock = rows.add(by=by, at=at, row=ShimStock(plant=plant, name=name), taken=STOCK_TAKEN, extra=extra)
        _put(stock, thicknesses_um, at_hand or {})
    return stock


def change_stock(
    *,
    by: Any,
    at: dt.datetime,
    stock: ShimStock,
    version: int,
    name: str,
    thicknesses_um: Sequence[float],
    at_hand: Mapping[float, int] | None = None,
) -> ShimStock:
    """Rename a stock and replace its thicknesses and the pieces at hand."""
    _check_thicknesses(thicknesses_um)
    with transaction.atomic():
        fresh = rows.change(by=by, at=at, row=stock, version=version, facts={"name": name}, taken=STOCK_TAKEN)
        before = {t.thickness_um: t.pieces for t in fresh.thicknesses.all()}
        after = {thickness: (at_hand or {}).get(thickness) for thickness in thicknesses_um}
        if before != after:
            fresh.thicknesses.all().delete()
            _put(fresh, thicknesses_um, at_hand or {})
            audit.record(
                by=by,
                action="changed thicknesses",
                obj=fresh,
                at=at,
                before={"thicknesses_um": list(before), "pieces": list(before.values())},
                after={"thicknesses_um": list(after), "pieces": list(after.values())},
                plant_id=fresh.plant_id,
            )
    return fresh


def _put(stock: ShimStock, thicknesses_um: Sequence[float], at_hand: Mapping[float, int]) -> None:
    ShimThickness.objects.bulk_create(
        ShimThickness(stock=stock, thickness_um=thickness, pieces=at_hand.get(thickness))
        for thickness in thicknesses_um
    )


def _check_thicknesses(thicknesses_um: Sequence[float]) -> None:
    if not thicknesses_um:
        raise Refused("List at least one thickness: no pack can be made from an empty stock.", field="thicknesses")
    if len(thicknesses_um) > MOST_THICKNESSES:
        raise Refused(f"List at most {MOST_THICKNESSES} thicknesses.", field="thicknesses")


def remove_stock(*, by: Any, at: dt.datetime, stock: ShimStock, version: int) -> None:
    """Remove a stock that no adjuster takes from."""
    sentence = f"Shim packs are made from {stock}: give them another stock first."
    rows.remove(by=by, at=at, row=stock, version=version, in_use=sentence)
