"""The machines of a plant side by side, in a number of queries that does not grow with them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

from django.db.models import OuterRef, Q, Subquery

from linelog.alignment.models import Visit
from linelog.alignment.results.status import StationStatus
from linelog.plant.models import Machine, MarkAssignment, Person
from linelog.production.models import DayCount
from linelog.trends import words
from linelog.trends.addresses import visit_url
from linelog.trends.queries.machine import on_day

Thing = TypeVar("Thing")


@dataclass(frozen=True, slots=True)
class Known:
    """A machine in the list: who it is and when it was last measured."""

    pk: int
    name: str
    line_id: int
    line: str
    plant_id: int
    last_at: dt.datetime | None


@dataclass(frozen=True, slots=True)
class OpenVisit:
    """A visit that waits to be gone on with."""

    pk: int
    opened_by_id: int
    opened_at: dt.datetime
    by: str

    @property
    def url(self) -> str:
        """Where the visit is gone on with."""
        return visit_url(self.pk)


@dataclass(frozen=True, slots=True)
class Worst:
    """A machine's worst station as it stands, and the place of the figure that decides."""

    status: StationStatus
    place: str

    @classmethod
    def of(cls, status: StationStatus) -> Worst:
        """Name the place."""
        return cls(status, words.place(status.station, status.figure.seat if status.figure else ""))


def machines(user: Person, today: dt.date) -> list[Known]:
    """Return the machines in service with the time of their last signed visit."""
    last = Visit.objects.filter(machine=OuterRef("pk"), state=Visit.State.SIGNED).order_by("-opened_at")
    rows = (
        Machine.objects.for_user(user)
        .filter(Q(out_of_service_on__isnull=True) | Q(out_of_service_on__gte=today))
        .annotate(last_at=Subquery(last.values("opened_at")[:1]))
        .order_by("line__plant__name", "line__name", "name")
        .values_list("pk", "name", "line_id", "line__name", "line__plant_id", "last_at")
    )
    return [Known(*row) for row in rows]


def marks_today(user: Person, today: dt.date) -> dict[int, list[str]]:
    """Return the marks of each machine today."""
    rows = MarkAssignment.objects.for_user(user).filter(on_day(today)).order_by("mark").values_list("machine", "mark")
    return _grouped(rows)


def open_visits(user: Person) -> dict[int, list[OpenVisit]]:
    """Return the open visits of each machine, the newest first."""
    rows = Visit.objects.for_user(user).filter(state=Visit.State.OPEN).select_related("opened_by")
    return _grouped(
        (visit.machine_id, OpenVisit(visit.pk, visit.opened_by_id, visit.opened_at, str(visit.opened_by)))
        for visit in rows.order_by("-opened_at", "-pk")
    )


def last_day_counted(user: Person) -> dt.date | None:
    """Return the newest production day of which anything is known."""
    return DayCount.objects.for_user(user).order_by("-day").values_list("day", flat=True).first()


def _grouped(rows: Iterable[tuple[int, Thing]]) -> dict[int, list[Thing]]:
    groups: dict[int, list[Thing]] = {}
    for key, value in rows:
        groups.setdefault(key, []).append(value)
    return groups
