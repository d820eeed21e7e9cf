"""What a visit now is expected to do at each place of some machines, by what was read and by how they tear."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from linelog.alignment.standing import RUNNING
from linelog.calc.next_visit import BEFORE_DAYS, RECENT_DAYS, Expects, Takes, Torn, expects
from linelog.calc.wander.log import Log
from linelog.calc.wander.odds import Drawn
from linelog.calc.wander.saved import saved
from linelog.production.queries import FleetSeries, fleet_day_counts
from linelog.trends.due.read import Read
from linelog.trends.due.tracks import Key, Run
from linelog.trends.evidence.kinds import KindEffects

Keyed = Sequence[tuple[int, Key, Run]]


def shares(keys: Sequence[tuple[int, Key]]) -> list[float]:
    """Return how much each place counts for its station: its seats alike, static values where there are any."""
    static = Counter((machine, key[0]) for machine, key in keys if key[2] != RUNNING)
    running = Counter((machine, key[0]) for machine, key in keys if key[2] == RUNNING)
    return [
        (0.0 if static[machine, key[0]] else 1.0 / running[machine, key[0]])
        if key[2] == RUNNING
        else 1.0 / static[machine, key[0]]
        for machine, key in keys
    ]


def visit_now(
    read: Read, keyed: Keyed, log: Log, drawn: Drawn, jolts: Sequence[int], effects: KindEffects
) -> Expects:
    """Return what a visit is expected to do at places that were drawn; all machines are of one line."""
    machines = list(dict.fromkeys(machine for machine, _, _ in keyed))
    number = {machine: at for at, machine in enumerate(machines)}
    share = shares([(machine, key) for machine, key, _ in keyed])
    effect = np.array(
        [part * effects.of(read.stations[key[0]].kind) for part, (_, key, _) in zip(share, keyed, strict=True)]
    )
    strokes = np.array(
        [read.strokes[machine].between(read.day(run.last.visit_at), dt.date.max) for machine, _, run in keyed]
    )
    u = np.array([run.last.expanded_um / 2.0 for _, _, run in keyed]) / log.limit_um
    of = np.array([number[machine] for machine, _, _ in keyed], dtype=np.int64)
    last = {
        machine: max(read.day(run.last.visit_at) for own, _, run in keyed if own == machine) for machine in machines
    }
    takes = _takes(read, machines, keyed, share)
    drawn_now = saved(drawn, strokes, np.array(jolts, dtype=np.float64), u)
    return expects(drawn_now, of, effect, _torn(read, last), takes, worst=effects.worst)


def expected_at(visit: Expects, number: int) -> dict[str, Any]:
    """Return what is expected at one place, as it is stored."""
    parts = (("opens", visit.opens), ("saves", visit.saves), ("beyond", visit.beyond))
    return {name: round(float(part[number]), 4) for name, part in parts}


def _takes(read: Read, machines: Sequence[int], keyed: Keyed, share: Sequence[float]) -> Takes:
    """Hours of a visit that sweeps every station, and of opening each; what was opened is swept again."""
    plant, sweep = read.plant, read.plant.sweep_minutes / 60.0
    seats = Counter[int]()
    for station in read.stations.values():
        seats[station.machine_id] += len(station.seats)
    swept = [plant.visit_base_hours + seats[machine] * sweep for machine in machines]
    opening = [
        part * read.stations[key[0]].hours_to_open + sweep for part, (_, key, _) in zip(share, keyed, strict=True)
    ]
    return Takes(np.array(swept), np.array(opening))


def _torn(read: Read, last: dict[int, dt.date]) -> Torn:
    """Read how machines tore since their last visit, and before; the newest day with counts is today."""
    ends = [read.strokes[machine].days[-1] for machine in last if len(read.strokes[machine].days)]
    until = max(ends, default=np.datetime64("1970-01-01"))
    first = until - np.timedelta64(RECENT_DAYS + BEFORE_DAYS, "D")
    series = fleet_day_counts(list(last), *(dt.date.fromisoformat(str(one)) for one in (first, until)))
    rows = np.array([_sums(series, machine, np.datetime64(day), until) for machine, day in last.items()])
    days, counts, million, before, million_before = rows.reshape(-1, 5).T
    return Torn(np.zeros(len(last), dtype=np.int64), days, counts, million, before, million_before)


def _sums(
    series: FleetSeries, machine: int, visit: np.datetime64, until: np.datetime64
) -> tuple[float, float, float, float, float]:
    """Return days since a visit, at the most `RECENT_DAYS`, their counts and million strokes; the same of before."""
    own = series.days.where(series.machine_id == machine)
    recent = until - np.timedelta64(RECENT_DAYS, "D")
    since, old = own.day > max(visit, recent), own.day <= recent
    days = min(float((until - visit) / np.timedelta64(1, "D")), float(RECENT_DAYS))
    torn, made = own.tear_offs.astype(float), own.made / 1e6
    counts, million, before, million_before = (
        float(part[which].sum()) for which in (since, old) for part in (torn, made)
    )
    return days, counts, million, before, million_before
