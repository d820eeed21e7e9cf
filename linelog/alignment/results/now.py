"""How the stations of machines stand at a moment, from all that is signed by then; few queries however many."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Prefetch, QuerySet

from linelog.alignment.models import MoveMade, Result, Visit
from linelog.alignment.pairs import pairs_of
from linelog.alignment.results.status import StationStatus, station_status
from linelog.alignment.results.unswept import parts_open_in
from linelog.alignment.running import Knowledge, travels_of
from linelog.alignment.standing import AS_FOUND, RUNNING, STATIC, Value, as_it_is_now
from linelog.alignment.values import latest
from linelog.plant.models import Machine, RamSection, Station
from linelog.plant.ram import ram_record


def statuses_now(stations: QuerySet[Station], at: dt.datetime) -> dict[int, list[StationStatus]]:
    """Return how the stations stand by machine, in the order along the ram; in a fixed number of queries."""
    rows = list(stations.select_related("machine").order_by("machine", "order", "pk"))
    if not rows:
        return {}
    static = _by_station(latest(stations, method=STATIC, until=at))
    ran = current_runs(rows, at)
    known = knowledge_by_machine({row.machine_id: row.machine for row in rows}, rows)
    visits = {value.visit_id for values in static.values() for value in values}
    travels, parts = travels_of(visits), parts_open_in(visits)
    found: dict[int, list[StationStatus]] = defaultdict(list)
    for row in rows:
        knowledge, values = known[row.machine_id], static.get(row.pk, [])
        run = _still(ran.get(row.pk), values, row, knowledge, at)
        moved = parts.get((values[0].visit_id, row.pk), ()) if values else ()
        found[row.machine_id].append(station_status(row, values, run, knowledge, travels, at, open_parts=moved))
    return dict(found)


def machine_statuses(machine: Machine, at: dt.datetime) -> list[StationStatus]:
    """Return how the stations in use of one machine stand, in the order along the ram."""
    return statuses_now(machine.stations.filter(is_active=True), at).get(machine.pk, [])


def worst_of(statuses: Iterable[StationStatus]) -> StationStatus | None:
    """Return the worst of those stations that were measured and are judged; None where none was."""
    measured = [one for one in statuses if one.figure is not None]
    return min(measured, key=lambda one: one.worst_key, default=None)


def knowledge_by_machine(machines: Mapping[int, Machine], stations: Sequence[Station]) -> dict[int, Knowledge]:
    """Return what is known of the machines running: their rams, and pairs of those stations that were measured so."""
    sections = Prefetch("ram_sections", queryset=RamSection.objects.order_by("order"))
    rams = Machine.objects.filter(pk__in=list(machines)).prefetch_related(sections)
    pairs = pairs_of(with_runs(stations))
    own: dict[int, list[int]] = defaultdict(list)
    for station in stations:
        own[station.machine_id].append(station.pk)
    return {
        ram.pk: Knowledge(
            ram_record(ram, list(ram.ram_sections.all())).hanging,
            {pk: pairs[pk] for pk in own[ram.pk] if pk in pairs},
            ram.moves_for_running,
        )
        for ram in rams
    }


def with_runs(stations: Sequence[Station]) -> list[Station]:
    """Return those stations that signed visits have running values of."""
    ran = Result.objects.filter(
        station__in=[one.pk for one in stations], method=RUNNING, visit__state=Visit.State.SIGNED
    )
    keys = set(ran.order_by().values_list("station", flat=True).distinct())
    return [one for one in stations if one.pk in keys]


def _by_station(values: Iterable[Value]) -> dict[int, list[Value]]:
    found: dict[int, list[Value]] = defaultdict(list)
    for value in as_it_is_now(values):
        found[value.station_id].append(value)
    return dict(found)


@dataclass(frozen=True, slots=True)
class _Moved:
    visit: int
    at: dt.datetime


def current_runs(stations: Sequence[Station], at: dt.datetime) -> dict[int, Value]:
    """Return the newest running values after which neither the station nor a bushing of its machine was moved."""
    ran = _by_station(latest(Station.objects.filter(pk__in=[one.pk for one in stations]), method=RUNNING, until=at))
    if not ran:
        return {}
    machine_of = {one.pk: one.machine_id for one in stations}
    moves = MoveMade.objects.filter(
        station__machine__in={machine_of[pk] for pk in ran}, visit__state=Visit.State.SIGNED, visit__opened_at__lte=at
    ).values_list("station_id", "station__machine_id", "station__kind", "visit_id", "visit__opened_at")
    own: dict[int, list[_Moved]] = defaultdict(list)
    of_line: dict[int, list[_Moved]] = defaultdict(list)
    for station, machine, kind, visit, opened in moves:
        (of_line[machine] if kind in Station.BUSHINGS else own[station]).append(_Moved(visit, opened))
    return {
        pk: values[0]
        for pk, values in ran.items()
        if not any(moved_after(move.visit, move.at, values[0]) for move in (*own[pk], *of_line[machine_of[pk]]))
    }


def moved_after(visit: int, at: dt.datetime, run: Value) -> bool:
    """Whether a move of a visit came after a running value: in a later one, or in the same after it was found so."""
    if visit == run.visit_id:
        return run.stage == AS_FOUND
    return at > run.visit_at


def _still(
    run: Value | None, static: Sequence[Value], station: Station, knowledge: Knowledge, at: dt.datetime
) -> Value | None:
    """Return the running value unless a newer static one tells more: one from which the running one is expected."""
    newer = run is not None and any(value.visit_at > run.visit_at for value in static)
    if newer and (knowledge.hanging is not None or knowledge.learned(station, at) is not None):
        return None
    return run
