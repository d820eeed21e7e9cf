"""What comes first for whom: the front page opens with what this role is there to do."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from linelog.plant.models import Person
from linelog.production.models import Finding
from linelog.trends.control import said
from linelog.trends.control.forms import USUAL
from linelog.trends.control.nearby import changes_near
from linelog.trends.control.queries import signals_for
from linelog.trends.fleet import Fleet, Row, ordered
from linelog.trends.queries.findings import Row as FindingRow
from linelog.trends.queries.findings import findings_for, with_traces
from linelog.web.permissions import Permission, may

MOST = 6
DAYS = 28  # so far back findings are looked at that lead to no machine
MOST_FINDINGS = 400


@dataclass(frozen=True, slots=True)
class Group:
    """Some machines under one heading, the first few of how many."""

    title: str
    rows: tuple[Row, ...]
    more: int
    none: str


@dataclass(frozen=True, slots=True)
class First:
    """The opening of the page: for whom, its usual order of the table, and what stands before the table."""

    who: str
    sort: str
    groups: tuple[Group, ...] = ()
    to_resume: tuple[Row, ...] = ()
    picker: tuple[Row, ...] = ()


def first_things(user: Person, fleet: Fleet) -> First:
    """Choose by what the person may do: plan, then counts, then visits."""
    if may(user, Permission.PLAN):
        return First("manager", "need")
    if may(user, Permission.ENTER_COUNTS):
        return First("quality", "rate", _for_quality(fleet))
    if may(user, Permission.LOG_VISIT):
        picker = tuple(ordered(fleet.rows, "machine"))
        return First("mechanic", "machine", to_resume=_to_resume(user, picker), picker=picker)
    return First("viewer", "machine")


def _group(title: str, rows: Iterable[Row], none: str) -> Group:
    found = tuple(rows)
    return Group(title, found[:MOST], max(0, len(found) - MOST), none)


def _for_quality(fleet: Fleet) -> tuple[Group, ...]:
    above = [row for row in ordered(fleet.rows, "rate") if row.against and row.against.word == "above"]
    return (_group("Tear-offs above the fleet", above, "No machine is above the fleet."),)


def _to_resume(user: Person, rows: Iterable[Row]) -> tuple[Row, ...]:
    """Machines with an open visit, the person's own first."""
    waiting = [row for row in rows if row.open_visits]
    return tuple(sorted(waiting, key=lambda row: all(visit.opened_by_id != user.pk for visit in row.open_visits)))


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waits for the quality lead: each the number of all and the first few."""

    signals: int
    lines: tuple[said.Line, ...]
    untraced: int
    findings: tuple[FindingRow, ...]
    complaints: int
    complained: tuple[Finding, ...]
    days: int = DAYS


def waiting(user: Person, today: dt.date) -> Waiting:
    """Read what waits for the quality lead."""
    signals = signals_for(user, USUAL, today)  # those that the list of signals opens with
    few = list(signals[:MOST])
    near = changes_near(few)
    recent = findings_for(user).filter(made_on__gt=today - dt.timedelta(days=DAYS))[:MOST_FINDINGS]
    lost = [row for row in with_traces(recent) if not row.leads_to_one]
    complaints = findings_for(user).exclude(complaint="").filter(complaint_closed_on__isnull=True)
    complaints = complaints.order_by("found_on", "pk")
    return Waiting(
        signals=signals.count(),
        lines=tuple(said.line(one, near.get(one.pk, [])) for one in few),
        untraced=len(lost),
        findings=tuple(lost[:MOST]),
        complaints=complaints.count(),
        complained=tuple(complaints[:MOST]),
    )
