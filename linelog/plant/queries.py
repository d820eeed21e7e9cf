"""What the set-up pages show: a plant at a glance, a machine's marks with their doubts."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Count, Prefetch, Q, QuerySet

from linelog.plant.models import Fitting, Line, Machine, MarkAssignment, Plant, ShimStock, ToolingSet
from linelog.plant.services.machines import overlapping


@dataclass(frozen=True, slots=True)
class MachineRow:
    """A machine of the overview."""

    machine: Machine
    marks: str
    stations: int
    tooling: str


@dataclass(frozen=True, slots=True)
class LineRows:
    """A line with its machines."""

    line: Line
    machines: tuple[MachineRow, ...]


@dataclass(frozen=True, slots=True)
class MarkRow:
    """A mark of a machine, and what makes its trace doubtful."""

    mark: MarkAssignment
    doubts: tuple[str, ...]


def lines(plant: Plant, today: date) -> list[LineRows]:
    """Return the lines of a plant with their machines, the marks of today and the tooling fitted now."""
    found: dict[int, list[MachineRow]] = defaultdict(list)
    machines = (
        Machine.objects.filter(line__plant=plant)
        .annotate(active_stations=Count("stations", filter=Q(stations__is_active=True)))
        .prefetch_related(
            Prefetch("marks", queryset=_on(today), to_attr="marks_today"),
            Prefetch("fittings", queryset=_fitted_now(), to_attr="fitted_now"),
        )
        .order_by("name")
    )
    for machine in machines:
        marks = ", ".join(mark.mark for mark in machine.marks_today)
        tooling = ", ".join(str(fitting.tooling_set) for fitting in machine.fitted_now)
        found[machine.line_id].append(MachineRow(machine, marks, machine.active_stations, tooling))
    return [LineRows(line, tuple(found[line.pk])) for line in plant.lines.all()]


def _on(today: date) -> QuerySet[MarkAssignment]:
    still = Q(ends_on__isnull=True) | Q(ends_on__gte=today)
    return MarkAssignment.objects.filter(still, starts_on__lte=today).order_by("mark")


def _fitted_now() -> QuerySet[Fitting]:
    return Fitting.objects.filter(removed_at__isnull=True).select_related("tooling_set", "machine__line")


def sets(plant: Plant) -> QuerySet[ToolingSet]:
    """Return the tooling sets, those in use first, each with its parts counted and where it is now."""
    now = Prefetch("fittings", queryset=_fitted_now(), to_attr="fitted_now")
    found: QuerySet[ToolingSet] = plant.tooling_sets.annotate(part_count=Count("parts")).prefetch_related(now)
    return found.order_by("retired_on", "name")


def stocks(plant: Plant) -> QuerySet[ShimStock]:
    """Return the shim stocks with their thicknesses."""
    found: QuerySet[ShimStock] = plant.shim_stocks.prefetch_related("thicknesses")
    return found


def marks(machine: Machine, user: Any) -> list[MarkRow]:
    """Return a machine's marks, newest first, each with the sentences that make its trace doubtful."""
    return [MarkRow(mark, doubts(mark, user)) for mark in machine.marks.order_by("-starts_on", "-pk")]


def doubts(mark: MarkAssignment, user: Any) -> tuple[str, ...]:
    """Say where a mark stands for two machines on a day, or a machine for two marks."""
    others = overlapping(mark).for_user(user).select_related("machine__line")
    same_mark = others.filter(mark=mark.mark, machine__line__plant_id=mark.machine.line.plant_id)
    two_machines = (
        f"Mark {mark.mark} also belongs to {other.machine} ({other.machine.line}) {_days(mark, other)}: "
        "a can of those days can't be traced to one machine."
        for other in same_mark.exclude(machine_id=mark.machine_id)
    )
    two_marks = (
        f"The machine also carries mark {other.mark} {_days(mark, other)}."
        for other in others.filter(machine_id=mark.machine_id).exclude(mark=mark.mark)
    )
    return (*two_machines, *two_marks)


def _days(one: MarkAssignment, other: MarkAssignment) -> str:
    first = max(one.starts_on, other.starts_on)
    ends = [day for day in (one.ends_on, other.ends_on) if day]
    return f"from {first} to {min(ends)}" if ends else f"from {first} on"
