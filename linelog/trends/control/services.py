"""A signal is open until somebody says what was found behind it."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction

from linelog.trends.models.control import Signal
from linelog.web import audit
from linelog.web.errors import Conflict, NotAllowed
from linelog.web.permissions import Permission, may

ALONG_DAYS = 7


def say(*, by: Any, at: dt.datetime, signal: Signal, found: str, version: int, along: bool = False) -> list[Signal]:
    """Say what was found behind a signal, which closes it; raises Conflict where somebody changed it meanwhile.

    along  close with the same words what else is open of this machine and count, in this direction, within a week
    """
    if not may(by, Permission.FOLLOW_UP):
        raise NotAllowed("Your role may look at this but not answer it.")
    with transaction.atomic():
        before = Signal.objects.select_for_update().get(pk=signal.pk)
        if before.version != version:
            raise Conflict("Somebody answered this signal meanwhile.", theirs=before, yours=found)
        others = list(alongside(before).select_for_update()) if along else []
        for one in [before, *others]:
            _close(one, by=by, at=at, found=found, plant_id=signal.machine.line.plant_id)
    return [before, *others]


def alongside(signal: Signal) -> Any:
    """Return what else is open of this machine and count, in this direction, within a week."""
    week = dt.timedelta(days=ALONG_DAYS)
    rows = Signal.objects.filter(machine=signal.machine_id, measure=signal.measure, up=signal.up, found="")
    return rows.filter(day__range=(signal.day - week, signal.day + week), holds=True).exclude(pk=signal.pk)


def _close(signal: Signal, *, by: Any, at: dt.datetime, found: str, plant_id: int) -> None:
    was = audit.snapshot(signal)
    signal.found, signal.closed_by, signal.closed_at, signal.version = found, by, at, signal.version + 1
    signal.save(update_fields=["found", "closed_by", "closed_at", "version"])
    after = audit.snapshot(signal)
    audit.record(by=by, action="said what was found", obj=signal, at=at, before=was, after=after, plant_id=plant_id)
