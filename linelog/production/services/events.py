"""Things that happened to a machine, noted so that the charts can show them."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction

from linelog.plant.models import Machine
from linelog.production.models import Event
from linelog.production.services.guard import check_may_count
from linelog.web import audit, followers, writes
from linelog.web.errors import Refused


def add(
    *,
    by: Any,
    at: dt.datetime,
    machine: Machine,
    happened_at: dt.datetime,
    kind: str,
    note: str,
    coil_lot: str = "",
    key: str = "",
) -> Event:
    """Note an event of a machine."""
    check_may_count(by)
    if happened_at > at:
        raise Refused("This time has not come yet.", field="happened_at")

    def write() -> int:
        event = Event.objects.create(machine=machine, at=happened_at, kind=kind, coil_lot=coil_lot, note=note, by=by)
        after = audit.snapshot(event)
        audit.record(by=by, action="noted", obj=event, at=at, after=after, plant_id=machine.line.plant_id)
        return event.pk

    content = [machine.pk, happened_at, kind, note, coil_lot]
    return Event.objects.get(pk=writes.once(by=by, key=key, content=content, at=at, write=write))


def take_out(*, by: Any, at: dt.datetime, event: Event) -> None:
    """Take out an event that was noted in error; the history keeps it."""
    check_may_count(by)
    with transaction.atomic():
        plant_id = event.machine.line.plant_id
        audit.record(by=by, action="took out", obj=event, at=at, before=audit.snapshot(event), plant_id=plant_id)
        machine_id = event.machine_id
        event.delete()
        followers.tell(followers.EVENTS, plant_id=plant_id, machines=[machine_id], at=at)
