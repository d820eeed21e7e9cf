"""What the pages of the plan read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from django.db.models import Count, QuerySet

from linelog.planning.models import CalendarAddress, PlannedVisit
from linelog.plant.models import Line, Machine, Person, Plant
from linelog.trends.state.planned import Planned

KEPT_DAYS = 90  # so long a calendar still hears of what is done or cancelled


def plants_of(user: Person) -> list[Plant]:
    """Return the plants whose plan a person may read: one's own, or for an administrator of none all."""
    return list(Plant.objects.for_user(user))


def open_entries(plant: Plant) -> list[PlannedVisit]:
    """Return the open entries of a plant with all that is shown of them."""
    rows = PlannedVisit.objects.filter(machine__line__plant=plant, state=PlannedVisit.State.PLANNED)
    rows = rows.select_related("machine__line__plant", "window__line", "window__machine")
    return list(rows.prefetch_related("parts__window"))


def planned_of(machines: Collection[int]) -> dict[int, Planned]:
    """Return the open entry of each machine that has one, for the state of machines."""
    rows = PlannedVisit.objects.filter(machine__in=list(machines), state=PlannedVisit.State.PLANNED).order_by()
    columns = rows.annotate(more=Count("parts")).values_list("machine", "pk", "week", "starts_at", "hours", "more")
    return {machine: Planned(pk, week, starts, hours, 1 + more) for machine, pk, week, starts, hours, more in columns}


def entries_of(machine: Machine) -> QuerySet[PlannedVisit]:
    """Return a machine's entries, the newest first."""
    rows = PlannedVisit.objects.filter(machine=machine).select_related("window", "visit")
    return rows.prefetch_related("parts__window").order_by("-week", "-pk")


def for_calendar(line: Line, at: dt.datetime) -> list[PlannedVisit]:
    """Return the entries of a line that its calendar tells: open ones, and what became of the others lately."""
    rows = PlannedVisit.objects.filter(machine__line=line).select_related("machine", "window", "visit")
    since = at - dt.timedelta(days=KEPT_DAYS)
    rows = rows.prefetch_related("parts__window")
    return [row for row in rows.order_by("week", "pk") if row.state == "planned" or row.changed_at >= since]


def address_for(digest: str, kind: str) -> CalendarAddress | None:
    """Return the address of a secret's fingerprint, unless it was revoked or is for something else."""
    rows = CalendarAddress.objects.filter(digest=digest, kind=kind, revoked_at__isnull=True)
    return rows.select_related("line__plant").first()
