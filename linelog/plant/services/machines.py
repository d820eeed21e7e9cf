"""Machines and the marks their domers have carried."""

from __future__ import annotations

import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q

from linelog.plant.building import add_template_stations, copy_stations
from linelog.plant.kinds import BODYMAKER_GEOMETRY
from linelog.plant.models import Line, Machine, MarkAssignment
from linelog.plant.services import rows
from linelog.plant.services.ram import RAM, check_bore, check_ram, copy_sections
from linelog.web import audit, followers
from linelog.web.errors import Refused

MACHINE_TAKEN = "This line has a machine of this name already."
MARK_TAKEN = "This mark is written down from this day already."
MOTION = ("stroke_mm", "rod_length_mm", "speed_spm")
WINDOWS = ("forward_from_deg", "dome_from_deg", "dome_to_deg", "return_to_deg")
GEOMETRY = (*MOTION, *RAM, *WINDOWS)


@dataclass(frozen=True, slots=True)
class NewMachine:
    """What is asked of a new machine."""

    line: Line
    name: str
    kind: str = Machine.Kind.BODYMAKER
    serial: str = ""
    mark: str = ""
    in_service_on: date | None = None


def add_machine(*, by: Any, at: datetime, new: NewMachine) -> Machine:
    """Add a machine with the stations, adjusters and usual geometry of its kind."""
    geometry = BODYMAKER_GEOMETRY if new.kind == Machine.Kind.BODYMAKER else {}
    with transaction.atomic():
        machine = _added(by, at, new, geometry)
        add_template_stations(machine)
    return machine


def copy_machine(*, by: Any, at: datetime, like: Machine, new: NewMachine) -> Machine:
    """Add a machine with the geometry, stations and adjusters of another one of the plant."""
    rows.check_mine(by, like)
    if new.line.plant_id != like.line.plant_id:
        raise Refused("Copy within one plant: shim stocks and limits are the plant's own.", field="line")
    with transaction.atomic():
        machine = _added(by, at, new, {name: getattr(like, name) for name in GEOMETRY})
        copy_stations(like, machine)
        copy_sections(like, machine)
    return machine


def _added(by: Any, at: datetime, new: NewMachine, geometry: Mapping[str, Any]) -> Machine:
    rows.check_mine(by, new.line)
    machine = Machine(
        line=new.line,
        name=new.name,
        kind=new.kind,
        serial=new.serial,
        in_service_on=new.in_service_on,
        **geometry,
    )
    rows.add(by=by, at=at, row=machine, taken=MACHINE_TAKEN)
    if new.mark:
        starts_on = new.in_service_on or at.astimezone(zoneinfo.ZoneInfo(new.line.plant.timezone)).date()
        mark = MarkAssignment(machine=machine, mark=new.mark, starts_on=starts_on)
        rows.add(by=by, at=at, row=mark, taken=MARK_TAKEN)
    return machine


def change_machine(*, by: Any, at: datetime, machine: Machine, version: int, facts: Mapping[str, Any]) -> Machine:
    """Change a machine's name, place, life and geometry."""

    def rules(changed: Machine) -> None:
        check_geometry(changed)
        check_ram(changed, list(changed.ram_sections.all()), field="stroke_mm")
        if changed.line.plant_id != machine.line.plant_id:
            raise Refused("A machine stays in its plant.", field="line")

    return rows.change(by=by, at=at, row=machine, version=version, facts=facts, taken=MACHINE_TAKEN, rules=rules)


def set_moves_for(*, by: Any, at: datetime, machine: Machine, version: int, running: bool) -> Machine:
    """Say whether the moves offered on this machine are for the value expected running or for the one measured."""
    action = "set moves for the running value" if running else "set moves for the measured value"
    facts = {"moves_for_running": running}
    with transaction.atomic():
        changed: Machine = rows.change(by=by, at=at, row=machine, version=version, facts=facts, action=action)
        followers.tell(followers.RUNNING, plant_id=changed.line.plant_id, machines=[changed.pk], at=at)
    return changed


def check_geometry(machine: Machine) -> None:
    """Refuse what no machine can be."""
    check_bore(machine)
    rod, stroke = machine.rod_length_mm, machine.stroke_mm
    if rod is not None and stroke is not None and rod <= stroke / 2.0:
        raise Refused(
            f"A rod must be longer than the crank, which is half the stroke: {stroke / 2.0:g} mm.",
            field="rod_length_mm",
        )
    degrees = [getattr(machine, name) for name in WINDOWS]
    for place, name in enumerate(WINDOWS[1:], start=1):
        if degrees[place] <= degrees[place - 1]:
            raise Refused(
                f"The crank windows must follow each other: this must be above {degrees[place - 1]:g}°.", field=name
            )
    came, left = machine.in_service_on, machine.out_of_service_on
    if came and left and left < came:
        raise Refused("It can't leave service before it came into it.", field="out_of_service_on")


def add_mark(
    *, by: Any, at: datetime, machine: Machine, mark: str, starts_on: date, ends_on: date | None, ends_others: bool
) -> MarkAssignment:
    """Write down that a machine's domer carries a mark; `ends_others` ends what it carried on the day before."""
    with transaction.atomic():
        rows.locked(by, machine)
        if ends_others:
            open_ones = MarkAssignment.objects.filter(machine=machine, ends_on__isnull=True, starts_on__lt=starts_on)
            for other in open_ones.exclude(mark=mark):
                facts = {"ends_on": starts_on - timedelta(days=1)}
                rows.change(by=by, at=at, row=other, version=other.version, facts=facts)
        made = MarkAssignment(machine=machine, mark=mark, starts_on=starts_on, ends_on=ends_on)
        _mark_rules(made)
        return rows.add(by=by, at=at, row=made, taken=MARK_TAKEN)


def change_mark(
    *, by: Any, at: datetime, mark: MarkAssignment, version: int, facts: Mapping[str, Any]
) -> MarkAssignment:
    """Correct the days of a mark, or end it."""
    return rows.change(by=by, at=at, row=mark, version=version, facts=facts, taken=MARK_TAKEN, rules=_mark_rules)


def _mark_rules(mark: MarkAssignment) -> None:
    if mark.ends_on and mark.ends_on < mark.starts_on:
        raise Refused("The last day is before the first.", field="ends_on")
    same = overlapping(mark).filter(machine_id=mark.machine_id, mark=mark.mark).first()
    if same:
        raise Refused(
            f"This machine has mark {same.mark} from {same.starts_on} already; end that one first.", field="starts_on"
        )


def overlapping(mark: MarkAssignment) -> Any:
    """Return the other assignments that share a day with this one (of any plant: narrow them down)."""
    others = MarkAssignment.objects.exclude(pk=mark.pk).filter(
        Q(ends_on__isnull=True) | Q(ends_on__gte=mark.starts_on)
    )
    return others.filter(starts_on__lte=mark.ends_on) if mark.ends_on else others


def remove_mark(*, by: Any, at: datetime, mark: MarkAssignment, version: int) -> None:
    """Take out a mark that was written down by mistake; the history keeps it."""
    rows.remove(by=by, at=at, row=mark, version=version, in_use="This mark is in use.")


def record_order(by: Any, at: datetime, machine: Machine, before: list[str], after: list[str]) -> None:
    """Write into the history that the stations stand in another order."""
    audit.record(
        by=by,
        action="reordered stations",
        obj=machine,
        at=at,
        before={"order": before},
        after={"order": after},
        plant_id=machine.line.plant_id,
    )
