"""Of what a table is asked: a plant, perhaps a line, perhaps some days; with the names that many rows share."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from functools import cached_property
from typing import Any, NamedTuple

from linelog.plant.models import Line, Machine, Person, Plant, Station, ToolingSet
from linelog.production.days import zone


class MachineNames(NamedTuple):
    """The names of a machine's line and of the machine, as tables have them; None where there is no machine."""

    line: str | None
    machine: str | None


NO_MACHINE = MachineNames(None, None)


class StationNames(NamedTuple):
    """A station of a machine: its name and its kind."""

    machine_id: int
    station: str
    kind: str


class Asked:
    """What is asked of a table; the names of machines, stations, tools and people are read once for all rows."""

    def __init__(
        self,
        plant: Plant,
        *,
        at: dt.datetime,
        since: dt.date | None = None,
        until: dt.date | None = None,
        line: Line | None = None,
    ) -> None:
        self.plant, self.at, self.since, self.until, self.line = plant, at, since, until, line

    @cached_property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The plant's own time zone."""
        return zone(self.plant)

    @cached_property
    def machines(self) -> dict[int, MachineNames]:
        """The machines asked about: those of the line, or of the whole plant."""
        of = {"line": self.line} if self.line else {"line__plant": self.plant}
        rows = Machine.objects.filter(**of).order_by("line__name", "name").values_list("pk", "line__name", "name")
        return {pk: MachineNames(*names) for pk, *names in rows}

    def named(self, machine: int | None) -> MachineNames:
        """Return the names of a machine by its number; of none where there is none, or it is not asked about."""
        return self.machines.get(machine, NO_MACHINE) if machine else NO_MACHINE

    @cached_property
    def is_everything(self) -> bool:
        """Whether there is no machine beside those asked about, so that rows need not be asked whose they are."""
        return self.line is None and not Machine.objects.exclude(line__plant=self.plant).exists()

    @cached_property
    def stations(self) -> dict[int, StationNames]:
        """The stations of those machines."""
        rows = Station.objects.filter(machine__in=list(self.machines)).order_by()
        found = rows.values_list("pk", "machine_id", "name", "kind")
        return {pk: StationNames(machine, name, kind) for pk, machine, name, kind in found}

    @cached_property
    def sets(self) -> dict[int, str]:
        """The names of the plant's tooling sets."""
        return dict(ToolingSet.objects.filter(plant=self.plant).order_by().values_list("pk", "name"))

    @cached_property
    def people(self) -> dict[int, str]:
        """The names of people: administrators of no plant write in every plant."""
        return {person.pk: str(person) for person in Person.objects.order_by()}

    def holds(self, day: dt.date) -> bool:
        """Say whether a day is one of those asked about."""
        return (self.since or day) <= day <= (self.until or day)

    def span(self, path: str, *, is_time: bool) -> dict[str, Any]:
        """Return the condition that a field lies in the days asked about, both included."""
        found: dict[str, Any] = {}
        if self.since:
            found[f"{path}__gte"] = self._begins(self.since) if is_time else self.since
        if self.until:
            after = self.until + dt.timedelta(days=1)
            found[f"{path}__lt"] = self._begins(after) if is_time else after
        return found

    def _begins(self, day: dt.date) -> dt.datetime:
        return dt.datetime.combine(day, dt.time.min, self.zone)
