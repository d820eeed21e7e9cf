"""The fleet table: each machine's alignment and its tear-offs against the fleet, put in an order."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from linelog.calc.station_state import State
from linelog.plant.models import Person, Plant
from linelog.production import weeks
from linelog.trends import words
from linelog.trends.addresses import machine_url
from linelog.trends.due.rule import Due
from linelog.trends.queries import fleet as queries
from linelog.trends.queries.fleet import Known, OpenVisit, Worst
from linelog.trends.ranking.yardstick import Against
from linelog.trends.state.outlook import MachineState, coming
from linelog.trends.state.say import worth_short
from linelog.trends.state.todo import Todo, need_key, todo


@dataclass(frozen=True, slots=True)
class Row:
    """One machine of the fleet."""

    known: Known
    marks: tuple[str, ...]
    last_day: dt.date | None
    age: str
    state: MachineState
    todo: Todo
    worst: Worst | None
    open_visits: tuple[OpenVisit, ...]

    @property
    def url(self) -> str:
        """Where the machine's page is."""
        return machine_url(self.known.pk)

    @property
    def mark(self) -> str:
        """The marks of today as they are read."""
        return " and ".join(self.marks)

    @property
    def due(self) -> Due:
        """When it is due."""
        return self.state.due

    @property
    def against(self) -> Against | None:
        """Its tear-offs against the fleet."""
        return self.state.against

    @property
    def worth(self) -> str:
        """What a week of waiting costs, as it is read."""
        return worth_short(self.state, self.todo) if self.todo.is_work else "–"

    @property
    def severity(self) -> str:
        """The value that counts there as a share of its limit."""
        share = self.worst.status.severity if self.worst else None
        return "–" if share is None else f"{share:.2f}"

    @property
    def is_out(self) -> bool:
        """Whether a station of it is proven out, or a bushing worn out."""
        return self.state.is_out


@dataclass(frozen=True, slots=True)
class Fleet:
    """All machines a person may see; the span of the rates, None where nothing is ranked; the newest day counted."""

    rows: tuple[Row, ...]
    since: dt.date | None
    until: dt.date | None
    counted: dt.date | None
    lines: tuple[tuple[int, str], ...]


def read(user: Person, today: dt.date, at: dt.datetime) -> Fleet:
    """Read the fleet; rates are those of the stored ranking."""
    known = queries.machines(user, today)
    states = _states(known, at)
    marks, open_at = queries.marks_today(user, today), queries.open_visits(user)

    def row(one: Known) -> Row:
        state = states[one.pk]
        last = state.facts.last
        return Row(
            known=one,
            marks=tuple(marks.get(one.pk, ())),
            last_day=last,
            age=words.ago(last, today) if last else "never",
            state=state,
            todo=todo(state),
            worst=Worst.of(state.worst) if state.worst else None,
            open_visits=tuple(open_at.get(one.pk, ())),
        )

    lines = {one.line_id: one.line for one in known}
    compared = [one.against for one in states.values() if one.against]
    return Fleet(
        rows=tuple(row(one) for one in known if one.pk in states),
        since=min((one.since for one in compared), default=None),
        until=max((one.until for one in compared), default=None),
        counted=queries.last_day_counted(user),
        lines=tuple(lines.items()),
    )


def _states(known: list[Known], at: dt.datetime) -> dict[int, MachineState]:
    plants = Plant.objects.in_bulk({one.plant_id for one in known}) if known else {}
    found: dict[int, MachineState] = {}
    for plant in plants.values():
        found |= coming(plant, weeks.USUAL, at=at).machines
    return found


def natural(name: str) -> list[Any]:
    """Sort key that puts 'BM 9' before 'BM 10'."""
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part.casefold()) for part in re.split(r"(\d+)", name)]


def _by_name(row: Row) -> tuple[Any, ...]:
    return (row.known.plant_id, natural(row.known.line), natural(row.known.name))


def _by_age(row: Row) -> Any:
    return row.last_day or dt.date.min


def _by_worst(row: Row) -> Any:
    return row.worst.status.worst_key if row.worst else (len(State), 0.0)


def _by_rate(row: Row) -> float:
    return -row.against.rate if row.against else 1.0


def _by_need(row: Row) -> Any:
    return need_key(row.state, row.todo)


SORTS: dict[str, Callable[[Row], Any]] = {
    "machine": _by_name,
    "age": _by_age,
    "worst": _by_worst,
    "rate": _by_rate,
    "need": _by_need,
}


def ordered(rows: Iterable[Row], sort: str, *, backward: bool = False, line: int | None = None) -> list[Row]:
    """Return the rows of a line (or all) in an order; equal ones by name."""
    chosen = sorted((row for row in rows if line is None or row.known.line_id == line), key=_by_name)
    return sorted(chosen, key=SORTS[sort], reverse=backward)
