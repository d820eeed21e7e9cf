"""What had changed at a machine within a day of a signal: visits, tooling, jams, ram and bushing work, metal."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import ClassVar

from django.db.models import Q

from linelog.alignment.models import Visit
from linelog.plant.models import Fitting
from linelog.production.days import day_begins, production_day
from linelog.production.models import Event
from linelog.trends import words
from linelog.trends.addresses import visit_url
from linelog.trends.models.control import Signal

REACH = dt.timedelta(days=1)
WEEK = dt.timedelta(days=6)


@dataclass(frozen=True, slots=True)
class Change:
    """Something that happened to a machine: its production day, what, more of it, and the page it opens (or '').

    kind  that of an event, or one of the two here
    """

    VISIT: ClassVar[str] = "visit"
    TOOLING: ClassVar[str] = "tooling"

    machine_id: int
    day: dt.date
    kind: str
    what: str
    detail: str = ""
    url: str = ""

    @property
    def said(self) -> str:
        """The day and what happened."""
        detail = f": {self.detail}" if self.detail else ""
        return f"{words.date(self.day)} {self.what}{detail}"


def changes_near(signals: Sequence[Signal]) -> dict[int, list[Change]]:
    """Return the changes within a day of each signal, or of the day it goes back to; three queries for all."""
    if not signals:
        return {}
    plants = {signal.machine_id: signal.machine.line.plant for signal in signals}
    # Days begin by the clock of each plant; two days more on either side hold them all.
    first = min(signal.began_on for signal in signals) - 3 * REACH
    last = max(signal.day for signal in signals) + WEEK + 3 * REACH
    any_plant = next(iter(plants.values()))
    span = (day_begins(any_plant, first), day_begins(any_plant, last))
    by_machine: dict[int, list[Change]] = {}
    for machine, at, kind, what, detail, url in [
        *_visits(plants, span),
        *_tooling(plants, span),
        *_events(plants, span),
    ]:
        change = Change(machine, production_day(plants[machine], at), kind, what, detail, url)
        by_machine.setdefault(machine, []).append(change)
    return {
        signal.pk: sorted(
            (change for change in by_machine.get(signal.machine_id, ()) if near(signal, change.day)),
            key=lambda change: change.day,
        )
        for signal in signals
    }


def near(signal: Signal, day: dt.date) -> bool:
    """Whether a day lies within one day of the signal, or of the day from which it says something changed."""
    ends = WEEK if signal.by_week else dt.timedelta(0)
    return any(at - REACH <= day <= at + ends + REACH for at in (signal.began_on, signal.day))


Span = tuple[dt.datetime, dt.datetime]
Happened = tuple[int, dt.datetime, str, str, str, str]


def _visits(machines: Iterable[int], span: Span) -> list[Happened]:
    rows = Visit.objects.filter(machine__in=list(machines), state=Visit.State.SIGNED, opened_at__range=span)
    return [
        (machine, at, Change.VISIT, "visit", Visit.Reason(reason).label.lower(), visit_url(pk))
        for pk, machine, at, reason in rows.order_by("opened_at").values_list(
            "pk", "machine_id", "opened_at", "reason"
        )
    ]


def _tooling(machines: Iterable[int], span: Span) -> list[Happened]:
    rows = Fitting.objects.filter(machine__in=list(machines)).filter(
        Q(fitted_at__range=span) | Q(removed_at__range=span)
    )
    happened: list[Happened] = []
    for machine, fitted, removed, name in rows.values_list(
        "machine_id", "fitted_at", "removed_at", "tooling_set__name"
    ):
        happened.append((machine, fitted, Change.TOOLING, "tooling set on", name, ""))
        if removed is not None:
            happened.append((machine, removed, Change.TOOLING, "tooling set off", name, ""))
    return happened


def _events(machines: Iterable[int], span: Span) -> list[Happened]:
    rows = Event.objects.filter(machine__in=list(machines), at__range=span).order_by("at")
    return [
        (machine, at, kind, Event.Kind(kind).label.lower(), ", ".join(part for part in (_lot(lot), note) if part), "")
        for machine, at, kind, note, lot in rows.values_list("machine_id", "at", "kind", "note", "coil_lot")
    ]


def _lot(lot: str) -> str:
    return f"coil lot {lot}" if lot else ""
