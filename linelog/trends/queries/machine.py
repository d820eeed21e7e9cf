"""What stands at the top of a machine's page."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Count, Exists, Max, OuterRef, Q
from django.shortcuts import get_object_or_404

from linelog.alignment.models import Result, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.values import signed_results
from linelog.plant.models import Machine, MarkAssignment, Person, Station
from linelog.production import weeks
from linelog.production.days import local_day
from linelog.trends import words
from linelog.trends.state.outlook import MachineState, coming
from linelog.trends.state.todo import Todo, todo


@dataclass(frozen=True, slots=True)
class Head:
    """A machine as it stands: marks today, last signed visit, its state and what is to be done, what is open."""

    marks: tuple[str, ...]
    last_visit: Visit | None
    last_day: dt.date | None
    worst_place: str
    open_visits: tuple[Visit, ...]
    state: MachineState
    todo: Todo


def machine_for(user: Person, pk: int) -> Machine:
    """Return a machine of the person's plant; any other is not there."""
    return get_object_or_404(Machine.objects.for_user(user).select_related("line__plant"), pk=pk)


def stations_of(machine: Machine) -> list[Station]:
    """Return the stations with offsets to show, along the ram, those no longer measured last.

    A bushing is no such station: its sweeps are not judged. It is one only where it was measured running.
    """
    ran = Result.objects.filter(station=OuterRef("pk"), method=Method.RUNNING)
    bushings = Q(kind__in=Station.BUSHINGS) & ~Exists(ran)
    return list(machine.stations.exclude(bushings).order_by("-is_active", "order", "pk"))


def on_day(day: dt.date) -> Q:
    """Return the condition of a mark assignment that holds on a day."""
    return Q(starts_on__lte=day) & (Q(ends_on__isnull=True) | Q(ends_on__gte=day))


def head(machine: Machine, today: dt.date, at: dt.datetime) -> Head:
    """Read the head of a machine's page."""
    plant = machine.line.plant
    visits = (
        Visit.objects.filter(machine=machine)
        .select_related("signed_by", "opened_by", "signature")
        .order_by("-opened_at", "-pk")
    )
    last = visits.filter(state=Visit.State.SIGNED).first()
    state = coming(plant, weeks.USUAL, at=at, only=machine).machines[machine.pk]
    worst = state.worst
    marks = MarkAssignment.objects.filter(on_day(today), machine=machine).order_by("mark")
    return Head(
        marks=tuple(marks.values_list("mark", flat=True)),
        last_visit=last,
        last_day=local_day(plant, last.opened_at) if last else None,
        worst_place=words.place(worst.station, worst.figure.seat) if worst and worst.figure else "",
        open_visits=tuple(visits.filter(state=Visit.State.OPEN)),
        state=state,
        todo=todo(state),
    )


def often_out(machine: Machine, since: dt.date) -> list[int]:
    """Return the stations found out since that day, those found out most often first."""
    rows = (
        signed_results(machine)
        .filter(stage="as_found", verdict="out", visit__opened_at__date__gte=since, station__is_active=True)
        .values("station_id")
        .annotate(times=Count("visit", distinct=True), worst=Max("severity"))
        .order_by("-times", "-worst")
    )
    return [row["station_id"] for row in rows]
