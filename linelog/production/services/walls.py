"""Wall samples: entered one by one or from a file, corrected, taken out; what was replaced stays in the history."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Q

from linelog.calc.errors import CalcError
from linelog.plant.models import Fitting, Machine, Plant, ToolingSet
from linelog.production.models import WallReading, WallRing, WallSample
from linelog.production.walls import Can, Computed, Ring, compute, levels_of, ring_values, tilt_values
from linelog.web import audit, writes
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.permissions import Permission, may

TAKEN = "This can of {machine} is stored already: correct that sample, or give this can a number of its own."


def mounted(machine: Machine, at: dt.datetime) -> ToolingSet | None:
    """Return the tooling set that was on a machine at a time."""
    still_on = Q(removed_at__isnull=True) | Q(removed_at__gt=at)
    found = Fitting.objects.filter(still_on, machine=machine, fitted_at__lte=at).select_related("tooling_set")
    fitting = found.order_by("-fitted_at").first()
    return fitting.tooling_set if fitting else None


def enter(*, by: Any, at: dt.datetime, can: Can, key: str = "") -> WallSample:
    """Store a sample with what it comes to."""
    _check(by, at, can)
    computed = _computed(can)

    def write() -> int:
        sample = _store(by, at, can, computed)
        _record(by, at, "entered", sample, after=_said(sample, can))
        return sample.pk

    return WallSample.objects.get(pk=writes.once(by=by, key=key, content=can.content(), at=at, write=write))


def enter_many(*, by: Any, at: dt.datetime, cans: Sequence[Can], key: str = "") -> int:
    """Store the samples of a file, all or none; return how many."""
    for can in cans:
        _check(by, at, can)
    worked = [(can, _computed(can)) for can in cans]

    def write() -> int:
        for can, computed in worked:
            sample = _store(by, at, can, computed)
            _record(by, at, "read from a file", sample, after=_said(sample, can))
        return len(worked)

    content = [can.content() for can in cans]
    return int(writes.once(by=by, key=key, content=content, at=at, write=write))


def correct(*, by: Any, at: dt.datetime, sample: WallSample, can: Can, version: int) -> WallSample:
    """Replace a sample; raises Conflict where somebody changed it since `version`."""
    _check(by, at, can)
    computed = _computed(can)
    with transaction.atomic():
        before = _locked(sample, version)
        was = _said(before, as_typed(before))
        before.rings.all().delete()
        for name, value in _facts(by, at, can, computed).items():
            setattr(before, name, value)
        before.version = version + 1
        try:
            with transaction.atomic():
                before.save()
        except IntegrityError:
            raise Refused(TAKEN.format(machine=can.machine), field="can") from None
        _store_rings(before, can, computed)
        _record(by, at, "corrected", before, before=was, after=_said(before, can))
    return before


def take_out(*, by: Any, at: dt.datetime, sample: WallSample, version: int) -> None:
    """Take out a sample of the wrong machine or can; the history keeps it."""
    _may(by)
    with transaction.atomic():
        before = _locked(sample, version)
        _record(by, at, "took out", before, before=_said(before, as_typed(before)))
        before.delete()


def as_typed(sample: WallSample) -> Can:
    """Return a stored sample as it was typed."""
    rings = tuple(
        Ring(ring.height_mm, tuple((one.angle_deg, one.value_um, one.typed) for one in ring.readings.all()))
        for ring in sample.rings.prefetch_related("readings").order_by("height_mm")
    )
    return Can(
        machine=sample.machine,
        taken_at=sample.taken_at,
        view=sample.view,
        step_um=sample.step_um,
        unit=sample.unit,
        rings=rings,
        can=sample.can,
        note=sample.note,
    )


def _may(by: Any) -> None:
    if not may(by, Permission.ENTER_WALL):
        raise NotAllowed("Your role may look at wall samples but not enter or change them.")


def _check(by: Any, at: dt.datetime, can: Can) -> None:
    _may(by)
    if can.taken_at > at:
        raise Refused("This time has not come yet.", field="taken_at")
    if not can.rings:
        raise Refused("There is no reading in this sample.", field="low_mm")


def _computed(can: Can) -> Computed:
    try:
        return compute(can, _plant(can))
    except CalcError as error:
        raise Refused(error.message, field="high_mm" if error.field == "high_mm" else None) from None


def _plant(can: Can) -> Plant:
    return can.machine.line.plant


def _locked(sample: WallSample, version: int) -> WallSample:
    found = WallSample.objects.select_for_update(of=("self",)).filter(pk=sample.pk)
    before = found.select_related("machine__line__plant").first()
    if before is None or before.version != version:
        raise Conflict("Somebody changed this sample meanwhile.", theirs=before)
    return before


def _facts(by: Any, at: dt.datetime, can: Can, computed: Computed) -> dict[str, Any]:
    return {
        "machine": can.machine,
        "taken_at": can.taken_at,
        "can": can.can,
        "tooling_set": mounted(can.machine, can.taken_at),
        "view": can.view,
        "step_um": can.step_um,
        "unit": can.unit,
        "note": can.note,
        "by": by,
        "at": at,
        **tilt_values(computed.tilt),
    }


def _store(by: Any, at: dt.datetime, can: Can, computed: Computed) -> WallSample:
    try:
        with transaction.atomic():
            sample = WallSample.objects.create(**_facts(by, at, can, computed))
    except IntegrityError:
        raise Refused(TAKEN.format(machine=can.machine), field="can") from None
    _store_rings(sample, can, computed)
    return sample


def _store_rings(sample: WallSample, can: Can, computed: Computed) -> None:
    levels = levels_of(_plant(can))
    for ring, wall in zip(can.rings, computed.walls, strict=True):
        made = WallRing.objects.create(sample=sample, height_mm=ring.height_mm, **ring_values(wall, levels))
        WallReading.objects.bulk_create(
            WallReading(ring=made, angle_deg=angle % 360.0, value_um=value, typed=typed[:24])
            for angle, value, typed in ring.readings
        )


def _said(sample: WallSample, can: Can) -> dict[str, Any]:
    """Return a sample with its readings, as the history keeps it."""
    rings = {
        f"wall at {ring.height_mm:g} mm": ", ".join(f"{angle:g}°: {typed}" for angle, _, typed in ring.readings)
        for ring in can.rings
    }
    return {**audit.snapshot(sample), **rings}


def _record(by: Any, at: dt.datetime, action: str, sample: WallSample, **more: Any) -> None:
    audit.record(by=by, action=action, obj=sample, at=at, plant_id=sample.machine.line.plant_id, **more)
