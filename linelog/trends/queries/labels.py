"""What is printed on a machine's label."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Prefetch

from linelog.plant.models import Line, Machine, MarkAssignment, Person
from linelog.trends.queries.machine import on_day


@dataclass(frozen=True, slots=True)
class Labelled:
    """A machine with its marks of the day."""

    machine: Machine
    marks: tuple[str, ...]


def lines_for(user: Person) -> list[Line]:
    """Return the lines a person may see."""
    return list(Line.objects.for_user(user).select_related("plant"))


def labelled(line: Line, day: dt.date) -> list[Labelled]:
    """Return a line's machines in service, with the marks they bear on the day."""
    marks = MarkAssignment.objects.filter(on_day(day)).order_by("mark")
    machines = (
        Machine.objects.filter(line=line)
        .exclude(out_of_service_on__lt=day)
        .prefetch_related(Prefetch("marks", queryset=marks))
    )
    return [Labelled(machine, tuple(row.mark for row in machine.marks.all())) for machine in machines]
