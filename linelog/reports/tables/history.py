"""The history: who changed what, when, before and after."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from linelog.alignment.models import Visit
from linelog.plant.models import Station
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.stored import Field, Source, as_json, stored
from linelog.reports.tables.table import Row, text, time, whole
from linelog.web.models import AuditEvent
from linelog.web.permissions import Permission

_FIELDS = (
    Field(whole("event_id", "Number of the line of history."), "pk"),
    Field(time("at", "When."), "at"),
    Field(text("who", "Who, by the name of that day."), "actor_name"),
    Field(text("action", "What was done."), "action"),
    Field(text("record", "Kind of record it was done to."), "object_type"),
    Field(text("record_id", "Number of that record."), "object_id"),
    Field(text("record_name", "Name of that record on that day."), "object_label"),
    Field(text("before", "What the record said before, as JSON; stored units."), "before", as_json),
    Field(text("after", "What it says since, likewise."), "after", as_json),
    Field(text("request_id", "Number of the request, as in the server's log."), "request_id"),
)
_AT = {field.column.name: index for index, field in enumerate(_FIELDS)}
_LEADS = {"visit": Visit, "station": Station}


def _machines(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Name line and machine where the record is a machine, a station or a visit, or says which machine it is of."""
    wanted: dict[str, set[int]] = {kind: set() for kind in _LEADS}
    for row in rows:
        kind, pk = row[_AT["record"]], str(row[_AT["record_id"]])
        if kind in wanted and pk.isdecimal():
            wanted[str(kind)].add(int(pk))
    on = {
        kind: dict(model._default_manager.filter(pk__in=wanted[kind]).values_list("pk", "machine_id"))
        for kind, model in _LEADS.items()
    }
    for row in rows:
        yield asked.named(_machine_of(row, on))


def _machine_of(row: Row, on: dict[str, dict[int, int]]) -> int | None:
    kind, pk = str(row[_AT["record"]]), str(row[_AT["record_id"]])
    if kind == "machine" and pk.isdecimal():
        return int(pk)
    if kind in on and pk.isdecimal():
        return on[kind].get(int(pk))
    for side in ("after", "before"):
        told = json.loads(str(row[_AT[side]] or "null"))
        if isinstance(told, dict) and isinstance(told.get("machine_id"), int):
            return int(told["machine_id"])
    return None


HISTORY = stored(
    "history",
    "History",
    "Who changed which record, when, and what it said before and after.",
    Source(AuditEvent.objects.all, "plant_id", "at", is_plants=True),
    _FIELDS,
    day="the day of the change",
    page="web:history",
    by_line=False,
    permission=Permission.HISTORY,
    more=(
        text("line", "Line of the machine that the record is of, where that is known."),
        text("machine", "That machine."),
    ),
    add=_machines,
)

TABLES = (HISTORY,)
