"""What the log and the counts know of a machine around a day long gone, in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Q

from linelog.alignment.models import Visit
from linelog.alignment.results.as_runs import as_set
from linelog.alignment.results.now import machine_statuses
from linelog.alignment.results.of_visit import visit_statuses
from linelog.alignment.results.status import StationStatus
from linelog.alignment.running import knowledge_of
from linelog.alignment.standing import AS_FOUND, Value
from linelog.alignment.values import signed_results, standing
from linelog.plant.models import Machine, Station
from linelog.production.days import local_day
from linelog.production.models import Event, WallRing
from linelog.production.queries import DaySeries, Totals, day_counts, machine_totals
from linelog.trends.due.tracks import JOLTS, Jolts
from linelog.trends.queries.findings import Mounted, mounted
from linelog.trends.queries.marks import Mark, marks

VISITS = 12  # looked back upon
AROUND_DAYS = 3  # before and after: the week of the finding
USUAL_DAYS = 182  # before that week: what is usual for the machine
EVENT_DAYS = 1
CHANGED_DAYS = 7
WALL_DAYS = 14


@dataclass(frozen=True, slots=True)
class Log:
    """A machine as its records have it around a span of time.

    visits    the last signed visits before the end of the span, the newest first
    after     the first signed visit after the span
    values    of all those visits, in the order of time
    week      the sums of the week around, None where nothing was counted; `usual` of the half year before it
    days      daily sums from the oldest of those visits to the day
    changed   metal, lubrication or coolant on the line, and pressure or timing on the machine, within a week
    stand     how its stations stood at the end of the span; `found_after`: as the visit after found them
    jolts     jams, crashes and work on it from the oldest of those visits to the end of the span
    walls     every height of the cans of this machine gauged within a fortnight, the nearest in time first
    """

    machine: Machine
    stations: tuple[Station, ...]
    day: dt.date
    visits: tuple[Visit, ...]
    after: Visit | None
    values: tuple[Value, ...]
    tools: tuple[Mounted, ...]
    week: Totals | None
    usual: Totals | None
    days: DaySeries
    happened: tuple[Mark, ...]
    changed: tuple[Event, ...]
    walls: tuple[WallRing, ...]
    stand: dict[int, StationStatus]
    found_after: dict[int, StationStatus]
    jolts: Jolts

    def day_of(self, at: dt.datetime) -> dt.date:
        """Return the plant's own day of a time."""
        return local_day(self.machine.line.plant, at)


def read_log(machine: Machine, day: dt.date, begins: dt.datetime, ends: dt.datetime) -> Log:
    """Read it."""
    signed = Visit.objects.filter(machine=machine, state=Visit.State.SIGNED).select_related("signed_by", "signature")
    visits = tuple(signed.filter(opened_at__lte=ends).order_by("-opened_at", "-pk")[:VISITS])
    after = signed.filter(opened_at__gt=ends).order_by("opened_at", "pk").first()
    looked_at = [visit.pk for visit in visits] + ([after.pk] if after else [])
    stations = list(machine.stations.all())
    measured = standing(signed_results(machine).filter(visit__in=looked_at)).values
    values = tuple(as_set(measured, stations, {machine.pk: knowledge_of(machine, stations)}))
    around, usual = dt.timedelta(days=AROUND_DAYS), dt.timedelta(days=USUAL_DAYS)
    first, last = day - around, day + around
    one = [machine.pk]
    since = local_day(machine.line.plant, visits[-1].opened_at) if visits else day
    near = dt.timedelta(days=EVENT_DAYS)
    happened = marks(machine, day - near, day + near)
    return Log(
        machine=machine,
        stations=tuple(machine.stations.filter(is_active=True).order_by("order", "pk")),
        day=day,
        visits=visits,
        after=after,
        values=values,
        tools=tuple(one for one in mounted(machine.line.plant_id, begins, ends) if one.machine_id == machine.pk),
        week=machine_totals(one, first, last).get(machine.pk),
        usual=machine_totals(one, first - usual, first - dt.timedelta(days=1)).get(machine.pk),
        days=day_counts(machine, since, day),
        happened=tuple(sorted(happened, key=lambda mark: mark.at)),
        changed=_changed(machine, begins, ends),
        walls=_walls(machine, begins, ends),
        stand={one.station.pk: one for one in machine_statuses(machine, ends)},
        found_after=_found_after(machine, after),
        jolts=_jolts(machine, visits[-1].opened_at if visits else begins, ends),
    )


def _jolts(machine: Machine, begins: dt.datetime, ends: dt.datetime) -> Jolts:
    rows = Event.objects.filter(machine=machine, kind__in=JOLTS, at__gte=begins, at__lte=ends).order_by("at")
    return Jolts.of(rows.values_list("at", "kind"))


def _found_after(machine: Machine, after: Visit | None) -> dict[int, StationStatus]:
    if after is None:
        return {}
    stations = list(machine.stations.filter(is_active=True))
    found = visit_statuses(after, stations, after.opened_at)
    return {pk: status for (pk, stage), status in found.items() if stage == AS_FOUND}


def _walls(machine: Machine, begins: dt.datetime, ends: dt.datetime) -> tuple[WallRing, ...]:
    near = dt.timedelta(days=WALL_DAYS)
    rows = WallRing.objects.filter(sample__machine=machine)
    rows = rows.filter(sample__taken_at__gte=begins - near, sample__taken_at__lte=ends + near).select_related(
        "sample"
    )
    middle = begins + (ends - begins) / 2
    return tuple(sorted(rows, key=lambda ring: (abs(ring.sample.taken_at - middle), ring.sample_id, ring.height_mm)))


def _changed(machine: Machine, begins: dt.datetime, ends: dt.datetime) -> tuple[Event, ...]:
    near = dt.timedelta(days=CHANGED_DAYS)
    shared = Q(machine__line=machine.line_id, kind__in=[Event.Kind.METAL, Event.Kind.LUBRICATION])
    rows = Event.objects.filter(shared | Q(machine=machine, kind=Event.Kind.PRESSURE))
    return tuple(rows.filter(at__gte=begins - near, at__lte=ends + near).select_related("machine").order_by("at"))
