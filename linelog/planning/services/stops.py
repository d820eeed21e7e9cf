"""Add, change and remove stops of the plant; entries planned into them follow."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from linelog.planning.models import PlannedVisit, StopWindow
from linelog.planning.places import short_of_room
from linelog.planning.services.entries import settle, snapshot
from linelog.planning.services.guard import check_may_plan, held
from linelog.plant.models import Plant
from linelog.production.days import local_day, zone
from linelog.production.weeks import monday
from linelog.web import audit
from linelog.web.errors import Refused
from linelog.web.units import show_hours

LONGEST = dt.timedelta(days=60)
MOST_WEEKS = 60
TIMES = ("starts_at", "ends_at")


@transaction.atomic
def add(*, by: Any, at: dt.datetime, plant: Plant, facts: Mapping[str, Any], more_weeks: int = 0) -> StopWindow:
    """Add a stop, and the same in so many weeks after it, at the same time of the plant's clock."""
    check_may_plan(by)
    if not 0 <= more_weeks <= MOST_WEEKS:
        raise Refused(f"It can be repeated in at most {MOST_WEEKS} more weeks.", field="more_weeks")
    series = uuid.uuid4() if more_weeks else None
    made = []
    for number in range(more_weeks + 1):
        times = {name: _later(plant, facts[name], dt.timedelta(weeks=number)) for name in TIMES}
        stop = StopWindow(plant=plant, series=series, **{**facts, **times})
        _rules(stop)
        stop.save(force_insert=True)
        audit.record(by=by, action="added stop", obj=stop, at=at, after=audit.snapshot(stop), plant_id=plant.pk)
        made.append(stop)
    _resettle(by, at, made)
    return made[0]


@transaction.atomic
def change(
    *, by: Any, at: dt.datetime, stop: StopWindow, version: int, facts: Mapping[str, Any], later: bool = False
) -> StopWindow:
    """Change a stop, and if wanted those of its series after it by as much; entries in them are settled anew."""
    fresh = held(by, stop, version, _told)
    moved = {name: _clock(fresh.plant, facts[name]) - _clock(fresh.plant, getattr(fresh, name)) for name in TIMES}
    others = _after(fresh) if later else []
    changed = [_change(by, at, fresh, facts)]
    for other in others:
        times = {name: _later(fresh.plant, getattr(other, name), by_so_much) for name, by_so_much in moved.items()}
        changed.append(_change(by, at, other, {**facts, **times}))
    _resettle(by, at, changed)
    return changed[0]


def _told(stop: StopWindow) -> str:
    starts, ends = (_clock(stop.plant, at) for at in (stop.starts_at, stop.ends_at))
    crews = f"{stop.crews} crews" if stop.crews > 1 else "1 crew"
    return f"stop of {stop.of_what}, {starts:%Y-%m-%d %H:%M} to {ends:%Y-%m-%d %H:%M}, {crews}"


def _change(by: Any, at: dt.datetime, fresh: StopWindow, facts: Mapping[str, Any]) -> StopWindow:
    before = audit.snapshot(fresh)
    for name, value in facts.items():
        setattr(fresh, name, value)
    _rules(fresh)
    fresh.version += 1
    fresh.save(update_fields=[*facts, "version"])
    after = audit.snapshot(fresh)
    audit.record(by=by, action="changed stop", obj=fresh, at=at, before=before, after=after, plant_id=fresh.plant_id)
    return fresh


@transaction.atomic
def remove(*, by: Any, at: dt.datetime, stop: StopWindow, version: int, later: bool = False) -> int:
    """Remove a stop, and if wanted those of its series after it; return how many went.

    Their entries look for another stop in their week, and say so where there is none.
    """
    fresh = held(by, stop, version, _told)
    going = [fresh, *(_after(fresh) if later else [])]
    inside = _entries_in(PlannedVisit.objects.filter(state=PlannedVisit.State.PLANNED), going)
    were = {entry.pk: snapshot(entry) for entry in inside}
    for one in going:
        before, plant_id = audit.snapshot(one), one.plant_id
        audit.record(by=by, action="removed stop", obj=one, at=at, before=before, plant_id=plant_id)
        one.delete()
    settle(by=by, at=at, entries=PlannedVisit.objects.filter(pk__in=were), were=were)
    return len(going)


def _entries_in(entries: QuerySet[PlannedVisit], stops: Sequence[StopWindow]) -> QuerySet[PlannedVisit]:
    return entries.filter(Q(window__in=stops) | Q(parts__window__in=stops)).distinct()


def _after(stop: StopWindow) -> list[StopWindow]:
    """Return the stops of its series that begin later, held."""
    if stop.series is None:
        return []
    rows = StopWindow.objects.select_for_update(of=("self",)).filter(series=stop.series, starts_at__gt=stop.starts_at)
    return list(rows.select_related("plant").order_by("starts_at"))


def _clock(plant: Plant, at: dt.datetime) -> dt.datetime:
    """Return what the plant's clock shows then, without its zone."""
    return at.astimezone(zone(plant)).replace(tzinfo=None)


def _later(plant: Plant, at: dt.datetime, by: dt.timedelta) -> dt.datetime:
    """Return the time at which the plant's clock shows so much more, also across a change of the clocks."""
    return timezone.make_aware(_clock(plant, at) + by, zone(plant))


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


def _resettle(by: Any, at: dt.datetime, stops: Sequence[StopWindow]) -> None:
    """Settle the entries that are in the stops, those of their weeks without room, and all that wait for a stop."""
    plant = stops[0].plant
    open_ones = PlannedVisit.objects.filter(machine__line__plant=plant, state=PlannedVisit.State.PLANNED)
    waiting = open_ones.filter(window__isnull=True)
    short = short_of_room(open_ones.filter(week__in={monday(local_day(plant, stop.starts_at)) for stop in stops}))
    settle(by=by, at=at, entries=[*_entries_in(open_ones, stops), *waiting, *short])
