"""What comes first for whom: the front page opens with what this role is there to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from linelog.plant.models import Person
from linelog.trends.fleet import Fleet, Row, ordered
from linelog.web.permissions import Permission, may

MOST = 6


@dataclass(frozen=True, slots=True)
class Group:
    """Some machines under one heading, the first few of how many."""

    title: str
    rows: tuple[Row, ...]
    more: int
    none: str


@dataclass(frozen=True, slots=True)
class First:
    """The opening of the page: which one, its usual order of the table, and its groups of machines."""

    who: str
    sort: str
    groups: tuple[Group, ...] = ()
    to_resume: tuple[Row, ...] = ()
    picker: tuple[Row, ...] = ()


def first_things(user: Person, fleet: Fleet) -> First:
    """Choose by what the person may do: plan, then counts, then visits."""
    if may(user, Permission.PLAN):
        return First("manager", "need", _for_manager(fleet))
    if may(user, Permission.ENTER_COUNTS):
        return First("quality", "rate", _for_quality(fleet))
    if may(user, Permission.LOG_VISIT):
        picker = tuple(ordered(fleet.rows, "machine"))
        return First("mechanic", "machine", to_resume=_to_resume(user, picker), picker=picker)
    return First("viewer", "machine")


def _group(title: str, rows: Iterable[Row], none: str) -> Group:
    found = tuple(rows)
    return Group(title, found[:MOST], max(0, len(found) - MOST), none)


def _for_manager(fleet: Fleet) -> tuple[Group, ...]:
    worst, oldest = ordered(fleet.rows, "worst"), ordered(fleet.rows, "age")
    return (
        _group("Out of line", (row for row in worst if row.is_out), "No machine is proven out."),
        _group("Due", (row for row in oldest if row.due.is_due), "No machine is due."),
        _group("Oldest alignment", (row for row in oldest if row.last_day), "No machine was measured yet."),
    )


def _for_quality(fleet: Fleet) -> tuple[Group, ...]:
    above = [row for row in ordered(fleet.rows, "rate") if row.against and row.against.word == "above"]
    return (_group("Tear-offs above the fleet", above, "No machine is above the fleet."),)


def _to_resume(user: Person, rows: Iterable[Row]) -> tuple[Row, ...]:
    """Machines with an open visit, the person's own first."""
    waiting = [row for row in rows if row.open_visits]
    return tuple(sorted(waiting, key=lambda row: all(visit.opened_by_id != user.pk for visit in row.open_visits)))
