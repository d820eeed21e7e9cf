"""The history: who did what to which record, when, before and after. Services write it in their transaction."""

from __future__ import annotations

from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Model
from django.db.models.fields.files import FieldFile

from linelog.web import requestid
from linelog.web.models import AuditEvent
from linelog.web.prepared import PreparedInsert

SOMEBODY = "somebody"  # who did not prove who they are
EVENTS = PreparedInsert(AuditEvent)
HIDDEN = frozenset({"password", "pin_hash", "last_login"})


def _plain(value: Any) -> Any:
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, Decimal | UUID):
        return str(value)
    if isinstance(value, FieldFile):
        return value.name
    return value


def snapshot(obj: Model) -> dict[str, Any]:
    """Return the record's own columns as plain values, secrets left out."""
    return {
        field.attname: _plain(getattr(obj, field.attname))
        for field in obj._meta.concrete_fields
        if field.attname not in HIDDEN
    }


def record(
    *,
    by: Any,
    action: str,
    obj: Model,
    at: datetime,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
    plant_id: int | None = None,
    by_name: str = "the program",
) -> AuditEvent:
    """Write one event; names are copied as text so that the history outlives what it speaks of.

    `by_name` says who it was where `by` is None.
    """
    if before is not None and after is not None:
        changed = {key for key in before.keys() | after.keys() if before.get(key) != after.get(key)}
        before = {key: before[key] for key in before if key in changed}
        after = {key: after[key] for key in after if key in changed}
    event = AuditEvent(
        at=at,
        actor_id=getattr(by, "pk", None),
        actor_name=str(by) if by is not None else by_name,
        plant_id=plant_id if plant_id is not None else getattr(by, "plant_id", None),
        action=action,
        object_type=obj._meta.model_name or "",
        object_id=str(obj.pk),
        object_label=str(obj)[:200],
        before=before,
        after=after,
        request_id=requestid.current.get(),
    )
    return EVENTS.store(event)
