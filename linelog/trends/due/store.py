"""Keep the drift of machines worked out: written again wherever the log has changed since."""

from __future__ import annotations

import datetime as dt
import math
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from django.db.models import Count, Max, OuterRef, Subquery, Sum

from linelog.alignment.models import Amendment, Visit
from linelog.alignment.results.as_runs import as_it_runs
from linelog.alignment.results.now import knowledge_by_machine
from linelog.alignment.running import travels_of
from linelog.alignment.standing import AS_LEFT, Value
from linelog.calc.wander.knowledge import GRID, Ahead, Knowledge, ahead
from linelog.calc.wander.reach import first_reached, machine_reaches
from linelog.plant.models import Fitting, LimitRule, Machine, Plant, Station
from linelog.production.models import Event
from linelog.trends import words
from linelog.trends.due.knowledge import MOST_VISITS, knowledge_of, learn_anew
from linelog.trends.due.places import Place
from linelog.trends.due.read import Read
from linelog.trends.due.tracks import JOLTS, Key, Run, Strokes
from linelog.trends.models import MachineDrift

ALGORITHM = "3"  # 2: sweeps of bushings are not judged; 3: learned over the plant, jumps and all
AT_ONCE = 8  # machines worked out together
FIELDS = ["basis", "at", "due_million", "driver", "driver_place", "since", "together", "places", "left_severity"]


def bases(machines: Iterable[int]) -> dict[int, str]:
    """Return the state of the log that each machine's drift rests on, in three queries."""
    ids = list(machines)
    # The newest of each machine by an index: adding up would read ten years of visits and events at every page.
    signed = Visit.objects.filter(machine=OuterRef("pk"), state=Visit.State.SIGNED).order_by("-signed_at")
    jolts = Event.objects.filter(machine=OuterRef("pk"), kind__in=JOLTS).order_by("-pk")
    tools = Fitting.objects.filter(machine=OuterRef("pk"), removed_at__isnull=True).order_by("-pk")
    rules = LimitRule.objects.filter(plant=OuterRef("line__plant")).order_by().values("plant")
    rules = rules.annotate(part=Sum("version") + 1000 * Sum("pk"))
    rows = (
        Machine.objects.filter(pk__in=ids)
        .order_by()
        .values_list(
            "pk",
            Subquery(signed.values("signed_at")[:1]),
            Subquery(jolts.values("pk")[:1]),
            "line__plant__risk_percent",
            "line__plant__machine_risk_percent",
            "version",  # its ram, and what its moves are for
            # What a rule of limits looks at: the rules themselves, the tools that are on, the set speed.
            Subquery(rules.values("part")[:1]),
            Subquery(tools.values("pk")[:1]),
            "speed_spm",
        )
    )
    stations = Station.objects.filter(machine__in=ids).order_by()
    amended = Amendment.objects.filter(visit__machine__in=ids).order_by()
    versions = dict(stations.values_list("machine").annotate(part=Sum("version") + 1000 * Count("pk")))
    amendments = dict(amended.values_list("visit__machine").annotate(part=Max("pk")))
    return {
        pk: _basis(
            signing, version, versions.get(pk), jolt, amendments.get(pk), *risks, *(limits if limits[0] else ())
        )
        for pk, signing, jolt, *risks, version, rule, tool, speed in rows
        for limits in ((rule, tool, speed),)
    }


def _basis(*parts: object) -> str:
    return "|".join([ALGORITHM, *("" if part is None else str(part) for part in parts)])


def freshen(machines: Sequence[int], *, at: dt.datetime, seconds: float) -> None:
    """Work out anew the drift of machines whose log has changed, a line at a time, for so long at the most.

    What is left waits for the next page that asks, or for the nightly work; until then it has no risk.
    """
    now = bases(machines)
    kept = dict(MachineDrift.objects.filter(machine__in=list(machines)).values_list("machine", "basis"))
    stale = [pk for pk in machines if kept.get(pk) != now[pk]]
    if not stale:
        return
    ends = time.monotonic() + seconds
    lines: dict[int, list[int]] = defaultdict(list)
    for line, pk in Machine.objects.filter(pk__in=stale).order_by("line", "pk").values_list("line", "pk"):
        lines[line].append(pk)
    for line, wanted in lines.items():
        work_out(line, wanted, now, at=at, ends=ends)
        if time.monotonic() > ends:
            return


def work_out(
    line: int, wanted: Sequence[int], now: dict[int, str], *, at: dt.datetime, ends: float | None = None
) -> None:
    """Work out and store how some machines of a line stand, by what the plant's log told."""
    plant = Plant.objects.get(lines=line)
    known, rows = knowledge_of(plant, at), []
    read = Read(plant, wanted, at)
    summary = Summary(read, known)
    at_once = 1 if ends is not None else AT_ONCE
    for first in range(0, len(wanted), at_once):
        rows += summary.rows(wanted[first : first + at_once], now, at)
        if ends is not None and time.monotonic() > ends:
            break
    MachineDrift.objects.bulk_create(rows, update_conflicts=True, unique_fields=["machine"], update_fields=FIELDS)


def refit_drifts(plant: Plant, now: dt.datetime) -> None:
    """Work out every machine of a plant, as the counts between its visits may have changed too."""
    learn_anew(plant, now)
    lines: dict[int, list[int]] = defaultdict(list)
    for line, pk in Machine.objects.filter(line__plant=plant).order_by("line", "pk").values_list("line", "pk"):
        lines[line].append(pk)
    known = bases([pk for ids in lines.values() for pk in ids])
    for line, ids in lines.items():
        work_out(line, ids, known, at=now)


class Summary:
    """What is stored of machines, from what was read and what is known."""

    def __init__(self, read: Read, known: Knowledge) -> None:
        self.read, self.known, self.plant = read, known, read.plant
        models = knowledge_by_machine(Machine.objects.in_bulk(list(read.values)), read.held)
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
        curves = self._ahead(keys, runs) if self.known.is_enough else [None] * len(keys)
        for (machine, key, run), ran, curve in zip(keys, runs, curves, strict=True):
            places[machine].append(self._place(key, run, ran, curve))
        return [self._row(machine, places[machine], basis[machine], at) for machine in machines]

    def _ahead(self, keys: Sequence[tuple[int, Key, Run]], runs: Sequence[Value]) -> list[Ahead]:
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
        return ahead(self.known, tracks, jolts, shifts)

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
