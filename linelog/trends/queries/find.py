"""Search: machines by name or mark, tools by serial, sets by name, findings by mark, defect, day or their texts."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from django.db.models import Prefetch, Q, QuerySet

from linelog.plant.models import Fitting, Machine, MarkAssignment, Person, ToolingSet, ToolPart
from linelog.trends import words
from linelog.trends.queries.findings import Row, findings_for, of_text, with_traces

MOST = 20
MOST_FINDINGS = 8


@dataclass(frozen=True, slots=True)
class MarkFound:
    """A mark: on which machines it is on the day, what that means, and where else it was."""

    mark: str
    on: tuple[Machine, ...]
    sentence: str
    warning: bool
    history: tuple[MarkAssignment, ...]


@dataclass(frozen=True, slots=True)
class SetFound:
    """A tooling set, the serial that led to it, and where it is fitted (or was last)."""

    name: str
    serials: tuple[str, ...]
    fitted: Fitting | None


@dataclass(frozen=True, slots=True)
class Found:
    """What was found; `first` is the machine where exactly one answers to the words exactly."""

    first: Machine | None
    machines: tuple[Machine, ...]
    marks: tuple[MarkFound, ...]
    sets: tuple[SetFound, ...]
    findings: tuple[Row, ...] = ()

    @property
    def nothing(self) -> bool:
        """Whether nothing answers to the words."""
        return not (self.machines or self.marks or self.sets or self.findings)


def find(user: Person, words_typed: str, day: dt.date) -> Found:
    """Search in what the person may see; marks as they were on the day."""
    machines = tuple(
        Machine.objects.for_user(user)
        .filter(name__icontains=words_typed)
        .select_related("line__plant")
        .order_by("line__name", "name")[:MOST]
    )
    marks = _marks(user, words_typed, day)
    exact = {machine.pk: machine for machine in machines if machine.name.casefold() == words_typed.casefold()}
    exact |= {machine.pk: machine for found in marks for machine in found.on}
    first = next(iter(exact.values())) if len(exact) == 1 else None
    return Found(first, machines, marks, _sets(user, words_typed), _findings(user, words_typed))


def _findings(user: Person, typed: str) -> tuple[Row, ...]:
    """Return the last findings of a mark, a defect (its code, or words of its name), a day, a complaint, a text."""
    match = Q(mark__iexact=typed) | Q(code__code__iexact=typed) | Q(date_code__iexact=typed) | of_text(typed)
    if len(typed) > 2:
        match |= Q(code__name__icontains=typed)
    with contextlib.suppress(ValueError):
        day = dt.date.fromisoformat(typed)
        match |= Q(made_on=day) | Q(found_on=day)
    last = findings_for(user).filter(match).select_related(None).values_list("pk", flat=True)[:MOST_FINDINGS]
    return tuple(with_traces(findings_for(user).filter(pk__in=list(last))))


def _marks(user: Person, typed: str, day: dt.date) -> tuple[MarkFound, ...]:
    """Return marks, which are whole words (4 is not 14), apart for each plant."""
    rows = (
        MarkAssignment.objects.for_user(user)
        .filter(mark__iexact=typed)
        .select_related("machine__line__plant")
        .order_by("machine__line__plant__name", "-starts_on", "machine__name")
    )
    plants: dict[tuple[int, str], list[MarkAssignment]] = {}
    for row in rows:
        plants.setdefault((row.machine.line.plant_id, row.mark), []).append(row)
    return tuple(mark_found(mark, rows, day) for (_, mark), rows in plants.items())


def holds(row: MarkAssignment, day: dt.date) -> bool:
    """Whether an assignment holds on a day; its last day belongs to it."""
    return row.starts_on <= day and (row.ends_on is None or day <= row.ends_on)


def mark_found(mark: str, rows: Iterable[MarkAssignment], day: dt.date) -> MarkFound:
    """Say where a mark is on a day; that it is on none, or on two at once, is said so."""
    history = tuple(rows)
    now = [row for row in history if holds(row, day)]
    on = {row.machine_id: row.machine for row in now}
    if len(on) == 1:
        since = max(row.starts_on for row in now)
        sentence = f"Mark {mark} is on {now[0].machine} on {words.date(day)}, since {words.date(since)}."
    elif on:
        names = " and ".join(str(machine) for machine in on.values())
        sentence = f"Mark {mark} is on {len(on)} machines on {words.date(day)}: {names}. It does not tell them apart."
    else:
        sentence = f"Mark {mark} is on no machine on {words.date(day)}."
    earlier = _shared(history) if len(on) < 2 else []
    return MarkFound(mark, tuple(on.values()), " ".join([sentence, *earlier]), len(on) != 1 or bool(earlier), history)


def _shared(history: tuple[MarkAssignment, ...]) -> list[str]:
    """Name the times in which two machines bore the mark at once."""
    sentences = []
    for one, other in combinations(history, 2):
        begins = max(one.starts_on, other.starts_on)
        ends = min((row.ends_on for row in (one, other) if row.ends_on), default=None)
        if one.machine_id != other.machine_id and (ends is None or begins <= ends):
            until = f" to {words.date(ends)}" if ends else " on"
            sentences.append(f"From {words.date(begins)}{until} it was on both {one.machine} and {other.machine}.")
    return sentences


def _sets(user: Person, typed: str) -> tuple[SetFound, ...]:
    serials: dict[int, list[str]] = {}
    parts = ToolPart.objects.for_user(user).filter(serial__icontains=typed).order_by("serial")[:MOST]
    for part in parts:
        serials.setdefault(part.tooling_set_id, []).append(str(part))
    fittings = Fitting.objects.select_related("machine__line").order_by("-fitted_at")
    by_name = ToolingSet.objects.for_user(user).filter(name__icontains=typed).order_by("name")[:MOST]
    chosen: QuerySet[ToolingSet] = ToolingSet.objects.for_user(user).filter(
        pk__in=[*serials, *(one.pk for one in by_name)]
    )
    return tuple(
        SetFound(one.name, tuple(serials.get(one.pk, ())), next(iter(one.fittings.all()), None))
        for one in chosen.order_by("name").prefetch_related(Prefetch("fittings", queryset=fittings))
    )
