"""Add, change and remove stops of the plant; entries planned into them follow."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from django.db import transaction

from linelog.planning.models import PlannedVisit, StopWindow
from linelog.planning.services.entries import settle
from linelog.planning.services.guard import check_may_plan, held
from linelog.plant.models import Plant
from linelog.web import audit
from linelog.web.errors import Refused
from linelog.web.units import show_hours

LONGEST = dt.timedelta(days=60)


@transaction.atomic
def add(*, by: Any, at: dt.datetime, plant: Plant, facts: Mapping[str, Any]) -> StopWindow:
    """Add a stop."""
    check_may_plan(by)
    stop = StopWindow(plant=plant, **facts)
    _rules(stop)
    stop.save(force_insert=True)
    audit.record(by=by, action="added stop", obj=stop, at=at, after=audit.snapshot(stop), plant_id=plant.pk)
    _resettle(by, at, stop)
    return stop


@transaction.atomic
def change(*, by: Any, at: dt.datetime, stop: StopWindow, version: int, facts: Mapping[str, Any]) -> StopWindow:
    """Change a stop; entries in it are settled anew."""
    fresh = held(by, stop, version)
    before = audit.snapshot(fresh)
    for name, value in facts.items():
        setattr(fresh, name, value)
    _rules(fresh)
    fresh.version += 1
    fresh.save(update_fields=[*facts, "version"])
    after = audit.snapshot(fresh)
    audit.record(by=by, action="changed stop", obj=fresh, at=at, before=before, after=after, plant_id=fresh.plant_id)
    _resettle(by, at, fresh)
    return fresh


@transaction.atomic
def remove(*, by: Any, at: dt.datetime, stop: StopWindow, version: int) -> None:
    """Remove a stop; its entries look for another stop in their week, and say so where there is none."""
    fresh = held(by, stop, version)
    inside = list(PlannedVisit.objects.filter(window=fresh, state=PlannedVisit.State.PLANNED))
    plant_id = fresh.plant_id
    audit.record(by=by, action="removed stop", obj=fresh, at=at, before=audit.snapshot(fresh), plant_id=plant_id)
    fresh.delete()
    for entry in inside:
        settle(by=by, at=at, entry=PlannedVisit.objects.get(pk=entry.pk))


def _rules(stop: StopWindow) -> None:
    if stop.ends_at <= stop.starts_at:
        raise Refused("The stop ends before it begins: look at both dates.", field="ends_at")
    if stop.ends_at - stop.starts_at > LONGEST:
        raise Refused(f"A stop of more than {LONGEST.days} days: look at both dates.", field="ends_at")
    least = stop.plant.visit_base_hours
    if stop.hours < least:
        raise Refused(
            f"It is {show_hours(stop.hours)} h long and every visit takes {show_hours(least)} h at least "
            "(a setting of the plant).",
            field="ends_at",
        )
    line = stop.machine.line if stop.machine else stop.line
    if line is not None and line.plant_id != stop.plant_id:
        raise Refused("This is not of the plant.", field="what")


def _resettle(by: Any, at: dt.datetime, stop: StopWindow) -> None:
    """Settle the entries that are in the stop, or wait for one in any week."""
    open_ones = PlannedVisit.objects.filter(machine__line__plant=stop.plant_id, state=PlannedVisit.State.PLANNED)
    waiting = open_ones.filter(window__isnull=True)
    for entry in [*open_ones.filter(window=stop), *waiting]:
        settle(by=by, at=at, entry=entry)
