"""Tooling sets, their parts, and on which machine each is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from linelog.plant.models import Fitting, Machine, Plant, ToolingSet, ToolPart
from linelog.plant.services import rows
from linelog.web import audit, followers
from linelog.web.errors import Refused

SET_TAKEN = "This plant has a tooling set of this name already."
TAKEN_MEANWHILE = "Somebody else has just fitted a set there: look again."
CLOCK_SLACK = timedelta(minutes=2)


@dataclass(frozen=True, slots=True)
class PartChange:
    """A part to add (no id), to change, or to take out of the set."""

    part_id: int | None
    facts: Mapping[str, Any] = field(default_factory=dict)
    remove: bool = False


def add_set(
    *, by: Any, at: datetime, plant: Plant, facts: Mapping[str, Any], parts: Sequence[PartChange]
) -> ToolingSet:
    """Add a tooling set with its parts."""
    rows.check_mine(by, plant)
    with transaction.atomic():
        made = rows.add(by=by, at=at, row=ToolingSet(plant=plant, **facts), taken=SET_TAKEN)
        _keep_parts(by, at, made, parts)
    return made


def change_set(
    *,
    by: Any,
    at: datetime,
    tooling_set: ToolingSet,
    version: int,
    facts: Mapping[str, Any],
    parts: Sequence[PartChange],
) -> ToolingSet:
    """Change a set and its parts together."""
    with transaction.atomic():
        fresh = rows.change(
            by=by, at=at, row=tooling_set, version=version, facts=facts, taken=SET_TAKEN, rules=_set_rules
        )
        _keep_parts(by, at, fresh, parts)
    return fresh


def _set_rules(tooling_set: ToolingSet) -> None:
    if tooling_set.retired_on is None:
        return
    fitted = on_machine(tooling_set)
    if fitted:
        raise Refused(f"It is on {fitted.machine} now: remove it there first.", field="retired_on")


def _keep_parts(by: Any, at: datetime, tooling_set: ToolingSet, parts: Sequence[PartChange]) -> None:
    known = {part.pk: part for part in tooling_set.parts.all()}
    plant_id = tooling_set.plant_id
    for change in parts:
        part = known.get(change.part_id) if change.part_id else ToolPart(tooling_set=tooling_set)
        if part is None:
            raise Refused("A part of this list is not of this set: reload the page.")
        before = audit.snapshot(part) if part.pk else None
        if change.remove:
            if part.pk:
                audit.record(by=by, action="removed", obj=part, at=at, before=before, plant_id=plant_id)
                part.delete()
            continue
        for name, value in change.facts.items():
            setattr(part, name, value)
        after = audit.snapshot(part)
        if before == after:
            continue
        part.save()
        after = audit.snapshot(part)
        action = "changed" if before else "added"
        audit.record(by=by, action=action, obj=part, at=at, before=before, after=after, plant_id=plant_id)


def on_machine(tooling_set: ToolingSet) -> Fitting | None:
    """Return the fitting of a set that is on a machine now."""
    return tooling_set.fittings.filter(removed_at__isnull=True).select_related("machine").first()


def fit(
    *, by: Any, at: datetime, tooling_set: ToolingSet, machine: Machine, fitted_at: datetime, reason_out: str
) -> Fitting:
    """Fit a set to a machine; a set that is still on it comes off in the same step, for the reason given."""
    with transaction.atomic():
        machine, tooling_set = rows.locked(by, machine), rows.locked(by, tooling_set)
        _check_fitting(tooling_set, machine, fitted_at, at)
        current = machine.fittings.filter(removed_at__isnull=True).select_related("tooling_set").first()
        if current:
            _replace(by, at, current, fitted_at, reason_out)
        past = Fitting.objects.filter(Q(machine=machine) | Q(tooling_set=tooling_set), removed_at__gt=fitted_at)
        in_the_way = past.select_related("machine", "tooling_set").first()
        if in_the_way:
            raise Refused(
                f"{in_the_way.tooling_set} was on {in_the_way.machine} until {_when(in_the_way.removed_at)}: "
                "fit this one no earlier.",
                field="fitted_at",
            )
        made = Fitting(tooling_set=tooling_set, machine=machine, fitted_at=fitted_at)
        _tell(tooling_set.plant_id, machine.pk, at)
        return rows.add(by=by, at=at, row=made, taken=TAKEN_MEANWHILE)


def _tell(plant_id: int, machine_id: int, at: datetime) -> None:
    """Tell whoever rests on the fittings that those of this machine changed."""
    followers.tell(followers.TOOLING, plant_id=plant_id, machines=[machine_id], at=at)


def _check_fitting(tooling_set: ToolingSet, machine: Machine, fitted_at: datetime, at: datetime) -> None:
    if tooling_set.plant_id != machine.line.plant_id:
        raise Refused("Choose a machine of this plant.", field="machine")
    if tooling_set.retired_on:
        raise Refused(f"{tooling_set} is retired: take that out of its record before it is fitted again.")
    if fitted_at > at + CLOCK_SLACK:
        raise Refused("This time has not come yet.", field="fitted_at")
    elsewhere = on_machine(tooling_set)
    if elsewhere:
        since = _when(elsewhere.fitted_at)
        raise Refused(
            f"{tooling_set} is on {elsewhere.machine} since {since}: remove it there first.", field="machine"
        )


def _replace(by: Any, at: datetime, current: Fitting, fitted_at: datetime, reason_out: str) -> None:
    if not reason_out:
        raise Refused(
            f"{current.tooling_set} is on {current.machine} since {_when(current.fitted_at)}: "
            "say why it comes off, and it is removed in the same step.",
            field="reason_out",
        )
    if fitted_at <= current.fitted_at:
        raise Refused(
            f"{current.tooling_set} was fitted at {_when(current.fitted_at)}: this must be later.", field="fitted_at"
        )
    remove(by=by, at=at, fitting=current, version=current.version, removed_at=fitted_at, reason_out=reason_out)


def remove(
    *, by: Any, at: datetime, fitting: Fitting, version: int, removed_at: datetime, reason_out: str
) -> Fitting:
    """Write down when and why a set came off its machine."""

    def rules(changed: Fitting) -> None:
        if removed_at > at + CLOCK_SLACK:
            raise Refused("This time has not come yet.", field="removed_at")
        if removed_at <= changed.fitted_at:
            raise Refused(f"It was fitted at {_when(changed.fitted_at)}: this must be later.", field="removed_at")

    facts = {"removed_at": removed_at, "reason_out": reason_out}
    with transaction.atomic():
        _tell(fitting.tooling_set.plant_id, fitting.machine_id, at)
        return rows.change(
            by=by, at=at, row=fitting, version=version, facts=facts, rules=rules, action="removed tools"
        )


def _when(moment: datetime | None) -> str:
    return timezone.localtime(moment).strftime("%Y-%m-%d %H:%M") if moment else "now"
