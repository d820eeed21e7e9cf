"""Signals are answered together: a cause as a code, who goes on, what they belong to, and a note."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from linelog.alignment.models import Visit
from linelog.plant.models import Person
from linelog.production.models import Finding
from linelog.trends.models.control import Signal
from linelog.web import audit
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.permissions import Permission, may

GONE = "One of these signals is not there any more: go back to the list."
ANSWER = ("cause", "found", "owner", "visit", "finding", "closed_by", "closed_at", "version")


@dataclass(frozen=True, slots=True)
class Words:
    """What a person says of signals; without a cause they stay open, with whoever goes on with them."""

    cause: str = ""
    note: str = ""
    owner: Person | None = None
    visit: Visit | None = None
    finding: Finding | None = None


def answer(*, by: Any, at: dt.datetime, seen: Mapping[int, int], said: Words) -> list[Signal]:
    """Answer signals, all or none; raises Conflict with those that somebody changed meanwhile.

    seen  the version that the person saw of each, by number
    """
    if not may(by, Permission.FOLLOW_UP):
        raise NotAllowed("Your role may look at this but not answer it.")
    _check(said)
    with transaction.atomic():
        rows = (
            Signal.objects.for_user(by)
            .filter(pk__in=seen, rule=Signal.Rule.LINE)
            .select_related("machine__line", "owner", "closed_by")
        )
        signals = list(rows.select_for_update(of=("self",)).order_by("pk"))
        if len(signals) != len(seen):
            raise Refused(GONE)
        changed = [one for one in signals if one.version != seen[one.pk]]
        if changed:
            raise Conflict("Somebody answered meanwhile.", theirs=changed, yours=said)
        for one in signals:
            _check_belongs(one, said)
            _store(one, by=by, at=at, said=said)
    return signals


def _check(said: Words) -> None:
    if not said.cause and said.owner is None:
        raise Refused("Choose what was found, or who goes on with it.", field="cause")
    if said.cause == Signal.Cause.OTHER and not said.note.strip():
        raise Refused("Say in the note what was found.", field="note")


def _check_belongs(signal: Signal, said: Words) -> None:
    if said.owner is not None and said.owner.plant_id != signal.machine.line.plant_id:
        raise Refused("There is nobody of that name in the plant of these signals.", field="owner")
    if said.visit is not None and said.visit.machine_id != signal.machine_id:
        raise Refused(f"That visit is not of {signal.machine}: answer its signals apart.", field="visit")
    if said.finding is not None and said.finding.machine_id != signal.machine_id:
        raise Refused(f"That finding is not of {signal.machine}: answer its signals apart.", field="finding")


def _store(signal: Signal, *, by: Any, at: dt.datetime, said: Words) -> None:
    was = audit.snapshot(signal)
    signal.cause, signal.found, signal.owner = said.cause, said.note, said.owner
    signal.visit, signal.finding = said.visit, said.finding
    signal.closed_by, signal.closed_at = (by, at) if said.cause else (None, None)
    signal.version += 1
    signal.save(update_fields=ANSWER)
    action = "said what was found" if said.cause else "said who goes on"
    plant_id = signal.machine.line.plant_id
    after = audit.snapshot(signal)
    audit.record(by=by, action=action, obj=signal, at=at, before=was, after=after, plant_id=plant_id)
