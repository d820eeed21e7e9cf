"""Read the history: who did what to which record, before and after side by side."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.utils import timezone

from linelog.calc.units import Unit
from linelog.web import history_words as words
from linelog.web import nightly
from linelog.web.models import AuditEvent
from linelog.web.permissions import Permission, may

PAGE, LAST_PAGE = 50, 10_000
WHEN = "%Y-%m-%d %H:%M:%S"
OBJECT = re.compile(r"([a-z]{1,60}):([A-Za-z0-9-]{1,40})")
#: Columns that only count or number the record.
_UNTOLD = frozenset({"version", "id"})


@dataclass(frozen=True, slots=True)
class Change:
    """One field of a record, as it was and as it became."""

    name: str
    before: Any
    after: Any


@dataclass(frozen=True, slots=True)
class Line:
    """An event as it is shown: `local` is its time where its plant is, worded here since a template would turn it."""

    event: AuditEvent
    local: str
    changes: list[Change]


def for_user(user: Any) -> QuerySet[AuditEvent]:
    """Return the history of this person's plant; all of it for an administrator without a plant."""
    if not may(user, Permission.HISTORY):
        return AuditEvent.objects.none()
    if user.plant_id is None:
        return AuditEvent.objects.all() if may(user, Permission.ADMINISTER) else AuditEvent.objects.none()
    return AuditEvent.objects.filter(plant_id=user.plant_id)


def found(
    events: QuerySet[AuditEvent],
    *,
    person: str = "",
    record: str = "",
    first: date | None = None,
    last: date | None = None,
    zone: tzinfo,
) -> QuerySet[AuditEvent]:
    """Keep the events of a person (by part of the name), of a record ('machine:12'), of days in the plant's zone."""
    if person:
        events = events.filter(actor_name__icontains=person)
    match = OBJECT.fullmatch(record)
    if match:
        events = events.filter(object_type=match[1], object_id=match[2])
    if first:
        events = events.filter(at__gte=datetime.combine(first, time.min, zone))
    if last:
        events = events.filter(at__lt=datetime.combine(last + timedelta(days=1), time.min, zone))
    return events


def page_number(text: str) -> int:
    """Read the number of a page of the list; the first where it is no number."""
    return min(int(text), LAST_PAGE) if re.fullmatch(r"[1-9][0-9]{0,6}", text) else 1


def page_of(events: QuerySet[AuditEvent], page: int, unit: Unit, zone: tzinfo) -> tuple[list[Line], bool]:
    """Return the lines of one page, and if more are."""
    start = (page - 1) * PAGE
    rows = list(events[start : start + PAGE + 1])
    told, names, zones = rows[:PAGE], words.Names(rows[:PAGE]), _zones(rows)
    where = [(event, zones.get(event.plant_id or 0, zone)) for event in told]
    shown = [
        Line(event, f"{words.local(event.at, there):{WHEN}}", changes(event, unit, names, there))
        for event, there in where
    ]
    return shown, len(rows) > PAGE


def _zones(rows: list[AuditEvent]) -> dict[int, tzinfo]:
    """Return the zones of the plants where the rows are of more than one; else the reader's will do."""
    if len({event.plant_id for event in rows}) < 2:
        return {}
    return {plant.pk: ZoneInfo(plant.timezone) for plant in nightly.plants()}


def changes(
    event: AuditEvent, unit: Unit, names: words.Names | None = None, zone: tzinfo | None = None
) -> list[Change]:
    """Return the fields of an event with both values, in words, offsets and readings in the reader's unit."""
    before, after = event.before or {}, event.after or {}
    fields, known = words.fields_of(event.object_type), names or words.Names([event])
    where = zone or timezone.get_current_timezone()
    columns = [*before, *(name for name in after if name not in before)]
    return [
        Change(
            words.label(name, unit),
            *(words.shown(name, one.get(name), fields.get(name), known, unit, where) for one in (before, after)),
        )
        for name in columns
        if name not in _UNTOLD
    ]
