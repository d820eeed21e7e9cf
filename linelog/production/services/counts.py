"""One shift's counts by hand: entered, corrected, taken out; what was replaced is kept."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass, field
from typing import Any

from django.db import IntegrityError, transaction

from linelog.plant.models import Machine, Shift
from linelog.production import chunks, sums
from linelog.production.days import production_day
from linelog.production.models import CountChange, ShiftCount
from linelog.production.reading.reader import NUMBERS, cause_order
from linelog.production.services.guard import check_may_count
from linelog.web import audit, writes
from linelog.web.errors import Conflict, Refused


@dataclass(frozen=True, slots=True)
class Numbers:
    """What was counted in a shift. `cans` are the good ones; the spoiled come on top."""

    cans: int
    spoiled: int
    tear_offs: int = 0
    short_cans: int = 0
    jams: int = 0
    minutes_down: float = 0.0
    by_cause: dict[str, int] = field(default_factory=dict)

    def values(self) -> dict[str, Any]:
        """Return the columns of a stored row: causes in their one order, zeros left out."""
        causes = {code: self.by_cause[code] for code in cause_order(self.by_cause) if self.by_cause[code]}
        return {**asdict(self), "by_cause": causes}


def check(numbers: Numbers) -> None:
    """Refuse what cannot be: less than nothing, or causes that add up to more than was spoiled."""
    below = [name for name in NUMBERS if getattr(numbers, name) < 0]
    if below or any(cans < 0 for cans in numbers.by_cause.values()):
        raise Refused("A count cannot be below zero.", field=below[0] if below else "spoiled")
    total = sum(numbers.by_cause.values())
    if total > numbers.spoiled:
        raise Refused(f"The causes add up to {total}, more than the {numbers.spoiled} spoiled.", field="spoiled")


def enter(
    *, by: Any, at: dt.datetime, machine: Machine, day: dt.date, shift: Shift, numbers: Numbers, key: str = ""
) -> ShiftCount:
    """Store the counts of a shift that has none yet."""
    check_may_count(by)
    plant = machine.line.plant
    if shift.plant_id != plant.pk:
        raise Refused("This shift belongs to another plant.", field="shift")
    if day > production_day(plant, at):
        raise Refused("This day has not come yet.", field="day")
    check(numbers)

    def write() -> int:
        chunks.lock(plant.pk)
        try:
            with transaction.atomic():
                count = ShiftCount.objects.create(machine=machine, day=day, shift=shift, **numbers.values())
        except IntegrityError:
            raise Refused(
                f"Shift {shift} of {machine} on {day} is counted already: correct that row.", field="shift"
            ) from None
        sums.refresh(machine.pk, day, day)
        chunks.tell(plant.pk, [machine.pk], at, first_day=day)
        audit.record(by=by, action="entered", obj=count, at=at, after=audit.snapshot(count), plant_id=plant.pk)
        return count.pk

    content = [machine.pk, day, shift.pk, numbers.values()]
    return ShiftCount.objects.get(pk=writes.once(by=by, key=key, content=content, at=at, write=write))


def correct(*, by: Any, at: dt.datetime, count: ShiftCount, numbers: Numbers, version: int) -> ShiftCount:
    """Replace the counts of a shift; raises Conflict where somebody changed them since `version`."""
    check_may_count(by)
    check(numbers)
    plant_id = count.machine.line.plant_id
    with transaction.atomic():
        chunks.lock(plant_id)
        before = ShiftCount.objects.filter(pk=count.pk).first()
        if before is None or before.version != version:
            raise Conflict("Somebody changed this shift meanwhile.", theirs=before, yours=numbers)
        values = numbers.values()
        if _values(before) == values:
            return before
        ShiftCount.objects.filter(pk=count.pk).update(**values, upload=None, version=version + 1)
        _keep(before, by, at, after=values)
        sums.refresh(before.machine_id, before.day, before.day)
        chunks.tell(plant_id, [before.machine_id], at, first_day=before.day)
        after = ShiftCount.objects.get(pk=count.pk)
        audit.record(
            by=by,
            action="corrected",
            obj=after,
            at=at,
            before=audit.snapshot(before),
            after=audit.snapshot(after),
            plant_id=plant_id,
        )
    return after


def take_out(*, by: Any, at: dt.datetime, count: ShiftCount, version: int) -> None:
    """Take out a shift that was counted for the wrong machine or day; the history keeps it."""
    check_may_count(by)
    plant_id = count.machine.line.plant_id
    with transaction.atomic():
        chunks.lock(plant_id)
        before = ShiftCount.objects.filter(pk=count.pk).first()
        if before is None or before.version != version:
            raise Conflict("Somebody changed this shift meanwhile; look at it again.", theirs=before)
        _keep(before, by, at, after=None)
        audit.record(by=by, action="took out", obj=before, at=at, before=audit.snapshot(before), plant_id=plant_id)
        ShiftCount.objects.filter(pk=count.pk).delete()
        sums.refresh(before.machine_id, before.day, before.day)
        sums.forget_empty(before.machine_id, before.day)
        chunks.tell(plant_id, [before.machine_id], at, first_day=before.day)


def _values(count: ShiftCount) -> dict[str, Any]:
    stored = {name: getattr(count, name) for name in NUMBERS}
    return Numbers(**stored, by_cause=count.by_cause).values()


def _keep(before: ShiftCount, by: Any, at: dt.datetime, *, after: dict[str, Any] | None) -> None:
    CountChange.objects.create(
        machine_id=before.machine_id,
        day=before.day,
        shift_id=before.shift_id,
        before=_values(before),
        after=after,
        by=by,
        at=at,
    )
