"""How the stations of many visits stood, as the page of each says it, in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from linelog.alignment.judging import judged
from linelog.alignment.models import MoveMade, Result, Stage, Visit
from linelog.alignment.results.now import knowledge_by_machine, moved_after
from linelog.alignment.results.of_visit import Key, is_known
from linelog.alignment.results.status import StationStatus, station_status
from linelog.alignment.results.unswept import parts_open_in
from linelog.alignment.running import travels_of
from linelog.alignment.standing import RUNNING, STATIC, Value, as_it_is_now, stand
from linelog.alignment.values import COLUMNS, last_words, standing
from linelog.plant.models import Station

Place = tuple[int, int, str]  # visit, station, stage
Move = tuple[int, int, str, int, dt.datetime]  # station, machine, kind of station, visit, when that was opened


@dataclass(frozen=True, slots=True)
class Runs:
    """Every running value of some stations with every move of their machines, to be asked for at any moment."""

    values: dict[int, list[Value]]
    moves: dict[int, list[Move]]

    @classmethod
    def of(cls, stations: Sequence[Station]) -> Runs:
        """Read them."""
        values: dict[int, list[Value]] = defaultdict(list)
        rows = Result.objects.filter(
            station__in=[one.pk for one in stations], method=RUNNING, visit__state=Visit.State.SIGNED
        )
        for value in standing(rows).values:
            values[value.station_id].append(value)
        moves: dict[int, list[Move]] = defaultdict(list)
        made = MoveMade.objects.filter(
            station__machine__in={one.machine_id for one in stations}, visit__state=Visit.State.SIGNED
        )
        for row in made.values_list(
            "station_id", "station__machine_id", "station__kind", "visit_id", "visit__opened_at"
        ):
            moves[row[1]].append(row)
        return cls(dict(values), dict(moves))

    def held(self, station: Station, at: dt.datetime) -> Value | None:
        """Return the newest running value by then after which neither station nor bushing was moved by then."""
        seen = [value for value in self.values.get(station.pk, ()) if value.visit_at <= at]
        if not seen:
            return None
        last = as_it_is_now(value for value in seen if value.visit_id == seen[-1].visit_id)[0]
        for moved, _, kind, visit, opened in self.moves.get(station.machine_id, ()):
            touches = moved == station.pk or kind in Station.BUSHINGS
            if touches and opened <= at and moved_after(visit, opened, last):
                return None
        return last


def statuses_of_visits(visits: Iterable[Visit], now: dt.datetime) -> dict[int, dict[Key, StationStatus]]:
    """Return how stations stood on each visit that measured them, by station and stage."""
    given = {visit.pk: visit for visit in visits}
    machines = {visit.machine_id: visit.machine for visit in given.values()}
    rows = Station.objects.filter(machine__in=list(machines), is_active=True).select_related("machine")
    stations = {one.pk: one for one in rows.order_by("order", "pk")}
    known, runs = knowledge_by_machine(machines, list(stations.values())), Runs.of(list(stations.values()))
    travels, moved, parts = travels_of(given), _moved(given), parts_open_in(given)
    values, withheld = _values(given)
    found: dict[int, dict[Key, StationStatus]] = {pk: {} for pk in given}
    for (pk, station_id, stage), both in values.items():
        visit, station = given[pk], stations.get(station_id)
        if station is None:
            continue
        at, knowledge = visit.signed_at or now, known[visit.machine_id]
        ran = both[RUNNING][0] if both[RUNNING] else None
        if ran is None and not is_known(knowledge, station, at) and not _touched(moved[pk], station_id, stage):
            ran = runs.held(station, visit.opened_at)
        found[pk][station_id, stage] = station_status(
            station,
            both[STATIC],
            ran,
            knowledge,
            travels,
            at,
            withheld=(pk, station_id, stage) in withheld,
            open_parts=parts.get((pk, station_id), ()),
        )
    return found


def _values(visits: Collection[int]) -> tuple[dict[Place, dict[str, list[Value]]], set[Place]]:
    """Read the values of visits that stand, by place and method, and the places whose verdict is withheld."""
    results = Result.objects.filter(visit__in=list(visits)).order_by("visit", "station__order", "seat", "stage")
    withheld = set(results.filter(withheld=True).values_list("visit_id", "station_id", "stage"))
    values: dict[Place, dict[str, list[Value]]] = {key: {STATIC: [], RUNNING: []} for key in withheld}
    for value in stand((Value(*row) for row in judged(results).values_list(*COLUMNS)), last_words(visits)).values:
        place = values.setdefault((value.visit_id, value.station_id, value.stage), {STATIC: [], RUNNING: []})
        place[value.method].append(value)
    return values, withheld


def _moved(visits: Collection[int]) -> dict[int, list[tuple[int, str]]]:
    """Read which stations, of which kind, each visit moved."""
    found: dict[int, list[tuple[int, str]]] = defaultdict(list)
    rows = MoveMade.objects.filter(visit__in=list(visits))
    for pk, station, kind in rows.values_list("visit_id", "station_id", "station__kind"):
        found[pk].append((station, kind))
    return found


def _touched(moves: Iterable[tuple[int, str]], station: int, stage: str) -> bool:
    """Whether a station was moved in a visit before a stage of it: itself, or a bushing of its machine."""
    if stage == Stage.AS_FOUND:
        return False
    return any(one == station or kind in Station.BUSHINGS for one, kind in moves)


def out_of_visits(visits: Iterable[Visit], now: dt.datetime) -> dict[int, tuple[int, int]]:
    """Return how many stations of each visit were out, as found and as left."""
    return {
        pk: (
            sum(1 for (_, stage), one in statuses.items() if stage == Stage.AS_FOUND and one.is_out),
            sum(1 for (_, stage), one in statuses.items() if stage == Stage.AS_LEFT and one.is_out),
        )
        for pk, statuses in statuses_of_visits(visits, now).items()
    }
