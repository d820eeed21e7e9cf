"""Work out the drift of a plant's machines and store it, in the background."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from linelog.alignment.results.as_runs import as_it_runs
from linelog.alignment.results.now import knowledge_by_machine
from linelog.alignment.running import travels_of
from linelog.alignment.standing import AS_LEFT, Value
from linelog.calc.next_visit import Expects
from linelog.calc.wander.knowledge import GRID, Ahead, Knowledge, along, stand
from linelog.calc.wander.reach import first_reached, machine_reaches
from linelog.plant.models import Machine, Plant
from linelog.trends import words
from linelog.trends.due.kept import bases
from linelog.trends.due.knowledge import MOST_VISITS, known_by
from linelog.trends.due.places import Place
from linelog.trends.due.read import Read
from linelog.trends.due.tracks import Key, Run, Strokes
from linelog.trends.due.visit_now import expected_at, visit_now
from linelog.trends.evidence.kinds import likeliest
from linelog.trends.evidence.scope import TEAR_OFFS
from linelog.trends.models import MachineDrift

AT_ONCE = 8  # machines worked out together
FIELDS = ["basis", "at", "due_million", "driver", "driver_place", "since", "together", "places", "left_severity"]


def refit_drifts(plant: Plant, now: dt.datetime) -> None:
    """Learn anew where it is time, and work out every machine: the counts between its visits may have changed too."""
    known = known_by(plant, now)
    lines: dict[int, list[int]] = defaultdict(list)
    for line, pk in Machine.objects.filter(line__plant=plant).order_by("line", "pk").values_list("line", "pk"):
        lines[line].append(pk)
    for ids in lines.values():
        work_out(plant, ids, known, now)


def work_out(plant: Plant, machines: Sequence[int], known: Knowledge, now: dt.datetime) -> None:
    """Work out and store how some machines stand, by what the plant's log told."""
    # Read before anything that it rests on: what changes meanwhile leaves the row overtaken.
    basis, rows = bases(machines), []
    summary = Summary(Read(Plant.objects.get(pk=plant.pk), machines, now), known)
    # Evenly, so that each has others of its line beside it.
    for some in np.array_split(np.array(machines), max(math.ceil(len(machines) / AT_ONCE), 1)):
        rows += summary.rows(some.tolist(), basis, now)
    MachineDrift.objects.bulk_create(rows, update_conflicts=True, unique_fields=["machine"], update_fields=FIELDS)


class Summary:
    """What is stored of machines, from what was read and what is known."""

    def __init__(self, read: Read, known: Knowledge) -> None:
        self.read, self.known, self.plant = read, known, read.plant
        models = knowledge_by_machine(Machine.objects.in_bulk(list(read.values)), read.held)
        self.effects = likeliest(read.plant, (TEAR_OFFS,))[TEAR_OFFS]
        travels = travels_of({value.visit_id for values in read.values.values() for value in values})
        self.as_run = partial(as_it_runs, stations=read.stations, known=models, travels=travels)
        self.left_severity = {machine: _left_severity(self.as_run(values)) for machine, values in read.values.items()}

    def rows(self, machines: Sequence[int], basis: dict[int, str], at: dt.datetime) -> list[MachineDrift]:
        """Return the summaries of machines."""
        keys = [
            (machine, key, own[-1]) for machine in machines for key, own in self.read.runs.get(machine, {}).items()
        ]
        # A change between two visits is one of the readings; where a place was left, and how far that is off, is as
        # it runs.
        runs = list(self.as_run([run.last for _, _, run in keys]))
        places: dict[int, list[Place]] = {machine: [] for machine in machines}
        curves, visit = self._ahead(keys, runs) if keys and self.known.is_enough else ([None] * len(keys), None)
        for number, ((machine, key, run), ran, curve) in enumerate(zip(keys, runs, curves, strict=True)):
            place = self._place(key, run, ran, curve)
            if visit is not None:
                place = replace(place, **expected_at(visit, number))
            places[machine].append(place)
        return [self._row(machine, places[machine], basis[machine], at) for machine in machines]

    def _ahead(
        self, keys: Sequence[tuple[int, Key, Run]], runs: Sequence[Value]
    ) -> tuple[Sequence[Ahead | None], Expects | None]:
        tracks = [self.read.track(machine, key, run, MOST_VISITS) for machine, key, run in keys]
        jolts = [self.read.jolts[machine].hit(run.last.visit_at) for machine, _, run in keys]
        shifts = [
            (
                ran.x_um - run.last.x_um,
                ran.y_um - run.last.y_um,
                math.sqrt(max(ran.expanded_um**2 - run.last.expanded_um**2, 0.0)) / 2.0,
            )
            for (_, _, run), ran in zip(keys, runs, strict=True)
        ]
        log, drawn = stand(self.known, tracks, shifts)
        visit = visit_now(self.read, keys, log, drawn, jolts, self.effects)
        return along(self.known, log, drawn, jolts), visit

    def _place(self, key: Key, run: Run, ran: Value, curve: Ahead | None) -> Place:
        station = self.read.stations[key[0]]
        place = Place(
            station=key[0],
            seat=key[1],
            method=key[2],
            kind=station.kind,
            left_on=self.read.day(run.last.visit_at).isoformat(),
            left_um=[ran.x_um, ran.y_um],
            u_um=ran.expanded_um / 2.0,
            limit_um=station.limit_um,
            pairs=run.pairs,
            pair_million=run.million,
            mean_um=[ran.x_um, ran.y_um],
            again=self.known.again,
        )
        if curve is None:
            return place
        return replace(
            place,
            mean_um=list(curve.mean_um),
            creep_um=list(curve.creep_um),
            walk_um2=curve.walk_um2,
            doubt_um2=curve.doubt_um2,
            chance=list(curve.chance),
            due_million=first_reached(np.array(GRID), np.array(curve.chance), self.plant.risk_percent / 100.0),
        )

    def _row(self, machine: int, places: list[Place], basis: str, at: dt.datetime) -> MachineDrift:
        first, until = self._first(machine, [one for one in places if one.is_known])
        station = self.read.stations[first.station] if first else None
        label = words.place(station, first.seat) if station and first else ""
        return MachineDrift(
            machine_id=machine,
            basis=basis,
            at=at,
            due_million=until,
            driver=station,
            driver_place=(f"{label}, running" if first and first.method == "running" else label)[:80],
            since=first.since if first else max((one.since for one in places), default=None),
            together=self.known.together,
            places=[one.plain() for one in places],
            left_severity=self.left_severity.get(machine),
        )

    def _first(self, machine: int, places: Sequence[Place]) -> tuple[Place | None, float | None]:
        """Return the likeliest place to be out when the machine reaches its risk, and the strokes until then."""
        strokes = self.read.strokes[machine] if machine in self.read.strokes else Strokes.of([], [])
        done = [strokes.between(one.since, dt.date.max) for one in places]
        risk = self.plant.machine_risk_percent / 100.0
        reached = machine_reaches([one.chance for one in places], done, self.known.together, risk)
        if reached is None:
            return None, None
        until, at = reached
        return places[at], max(done[at] + until, 0.0)


def _left_severity(values: Iterable[Value]) -> float | None:
    worst: dict[int, float] = {}
    for value in values:
        if value.stage == AS_LEFT:
            worst[value.visit_id] = max(worst.get(value.visit_id, 0.0), value.severity)
    return sum(worst.values()) / len(worst) if worst else None
