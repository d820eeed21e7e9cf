"""What is asked before a finding is stored: the same one again, or a day on which its line made nothing.

Each question has a mark of its own, so that an answer holds for what was asked and for nothing that came since.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

from django.db.models import Max, Min, Q
from django.utils.timezone import localtime

from linelog.plant.models import Fitting, Line, MarkAssignment, Plant
from linelog.production.days import production_day
from linelog.production.models import DayCount, Event, Finding
from linelog.web.errors import Refused

WITHIN = dt.timedelta(days=1)  # two of the same, found so close together, may be one
COUNTED_WITHIN = dt.timedelta(days=14)  # a line is counted on a day where counts stand before and after it


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked, the words of the answer that stores it all the same, and the finding that it may be."""

    mark: str
    sentence: str
    store_words: str
    same: Finding | None = None


class AsksFirst(Refused):
    """A finding is not stored before its question is answered."""

    def __init__(self, question: Question) -> None:
        super().__init__(question.sentence)
        self.question = question


def ask(plant: Plant, typed: Finding, answered: Collection[str]) -> None:
    """Raise `AsksFirst` with the first question about a finding, unsaved, that nobody answered yet."""
    for question in (_the_same(plant, typed), _nothing_made(plant, typed)):
        if question is not None and question.mark not in answered:
            raise AsksFirst(question)


def _the_same(plant: Plant, typed: Finding) -> Question | None:
    rows = Finding.objects.filter(plant=plant, place=typed.place, code=typed.code, made_on=typed.made_on)
    rows = rows.filter(found_on__range=(typed.found_on - WITHIN, typed.found_on + WITHIN))
    rows = rows.filter(mark__iexact=typed.mark) if typed.mark else rows.filter(mark="")
    if typed.machine is not None:
        rows = rows.filter(Q(machine=None) | Q(machine=typed.machine))
    alike = (row for row in rows.exclude(pk=typed.pk).order_by("-pk").select_related("by") if _one_code(row, typed))
    same = next(alike, None)
    if same is None:
        return None
    can = f"mark {same.mark}" if same.mark else "no mark"
    code = f"date code {same.date_code}" if same.date_code else "no date code"
    said = (
        f"{same.by} entered the same on {localtime(same.at):%Y-%m-%d at %H:%M}: {can}, {code}, made {same.made_on}."
    )
    return Question(f"same:{same.pk}", f"{said} Is this another can?", "It's another can", same)


def _one_code(row: Finding, typed: Finding) -> bool:
    return _bare(row.date_code) == _bare(typed.date_code)


def _bare(code: str) -> str:
    return "".join(letter for letter in code.upper() if letter.isalnum())


def _nothing_made(plant: Plant, typed: Finding) -> Question | None:
    if typed.made_by == Finding.MadeBy.FOUND:
        return None
    lines = list(_lines_of(plant, typed))
    days = _days(plant, typed)
    if not lines or any(not _stood(line, days) for line in lines):
        return None
    names = " and ".join(line.name for line in lines)
    return Question(
        f"stood:{typed.made_on}",
        f"By its counts {names} made no cans on {typed.made_on}. Is the day right?",
        "The day is right",
    )


def _lines_of(plant: Plant, typed: Finding) -> Iterable[Line]:
    """Return the lines it may be of: by its machine, or by who bore the mark that day, else all."""
    if typed.machine is not None:
        return [typed.machine.line]
    on_day = Q(starts_on__lte=typed.made_on) & (Q(ends_on=None) | Q(ends_on__gte=typed.made_on))
    bore = MarkAssignment.objects.filter(on_day, machine__line__plant=plant, mark__iexact=typed.mark)
    lines = Line.objects.filter(plant=plant).order_by("name")
    return lines.filter(pk__in=bore.values("machine__line")) if typed.mark and bore.exists() else lines


def _days(plant: Plant, typed: Finding) -> tuple[dt.date, ...]:
    """Return the production days it may be counted under: of a night hour the day before as well."""
    if typed.made_to - typed.made_from >= dt.timedelta(hours=23):
        return (typed.made_on,)
    ends = max(typed.made_from, typed.made_to - dt.timedelta(seconds=1))
    return (production_day(plant, typed.made_from), production_day(plant, ends))


def _stood(line: Line, days: tuple[dt.date, ...]) -> bool:
    """Whether a line is counted before and after, and made nothing on these days."""
    counts = DayCount.objects.filter(machine__line=line)
    if counts.filter(Q(cans__gt=0) | Q(spoiled__gt=0), day__in=days).exists():
        return False
    around = counts.filter(day__range=(days[0] - COUNTED_WITHIN, days[-1] + COUNTED_WITHIN))
    span = around.aggregate(first=Min("day"), last=Max("day"))
    return span["first"] is not None and span["first"] < days[0] and span["last"] > days[-1]


def refuse_impossible_code(plant: Plant, typed: Finding) -> None:
    """Refuse a date code of a day before anything is recorded of its machine or plant."""
    if typed.made_by != Finding.MadeBy.CODE:
        return
    whose: Any = typed.machine or plant
    first = _first_record(plant, typed)
    if first is not None and typed.made_on < first:
        raise Refused(
            f"The code reads {typed.made_on}, before the first record of {whose} ({first}): look at the can again, "
            "or leave the code out and give the day made.",
            field="date_code",
        )


def _first_record(plant: Plant, typed: Finding) -> dt.date | None:
    of = {"machine": typed.machine} if typed.machine is not None else {"machine__line__plant": plant}
    days = [
        DayCount.objects.filter(**of).aggregate(first=Min("day"))["first"],
        MarkAssignment.objects.filter(**of).aggregate(first=Min("starts_on"))["first"],
    ]
    times = [
        Fitting.objects.filter(**of).aggregate(first=Min("fitted_at"))["first"],
        Event.objects.filter(**of).aggregate(first=Min("at"))["first"],
    ]
    known = [day for day in days if day] + [production_day(plant, at) for at in times if at]
    return min(known, default=None)
