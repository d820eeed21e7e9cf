"""Read the history: who did what to which record, before and after side by side."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any

from django.db.models import QuerySet

from linelog.calc.units import Unit, from_um
from linelog.web.models import AuditEvent
from linelog.web.permissions import Permission, may
from linelog.web.units import MINUS, plain_text

PAGE, LAST_PAGE = 50, 10_000
OBJECT = re.compile(r"([a-z]{1,60}):([A-Za-z0-9-]{1,40})")
_UNITS = (("_mm_per_m", "mm/m"), ("_mm", "mm"), ("_deg", "°"), ("_kg", "kg"), ("_spm", "strokes/min"))


@dataclass(frozen=True, slots=True)
class Change:
    """One field of a record, as it was and as it became."""

    name: str
    before: Any
    after: Any


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


def page_of(
    events: QuerySet[AuditEvent], page: int, unit: Unit
) -> tuple[list[tuple[AuditEvent, list[Change]]], bool]:
    """Return the rows of one page, each with its changes, and whether there are older ones."""
    start = (page - 1) * PAGE
    rows = list(events[start : start + PAGE + 1])
    return [(event, changes(event, unit)) for event in rows[:PAGE]], len(rows) > PAGE


def changes(event: AuditEvent, unit: Unit) -> list[Change]:
    """Return the fields of an event with both values, offsets and readings in the reader's unit."""
    before, after = event.before or {}, event.after or {}
    names = [*before, *(name for name in after if name not in before)]
    told = [name for name in names if name != "version"]  # it only counts the changes
    return [
        Change(field_label(name, unit), *(_shown(name, one.get(name), unit) for one in (before, after)))
        for name in told
    ]


def field_label(name: str, unit: Unit) -> str:
    """Name a stored column as a person would: 'limit_um' is 'limit (mm)' to who reads mm."""
    if name.endswith("_um"):
        return f"{name.removesuffix('_um').replace('_', ' ')} ({unit.label})"
    for ending, label in _UNITS:
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')} ({label})"
    return name.removesuffix("_id").replace("_", " ")


def _shown(name: str, value: Any, unit: Unit) -> Any:
    if name.endswith("_um") and isinstance(value, int | float) and not isinstance(value, bool):
        return plain_text(from_um(value, unit)).replace("-", MINUS)
    if value is None or value == "":
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value
