"""The values, strokes and jolts of some machines of a plant, read once."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from linelog.alignment.models import Result, Visit
from linelog.alignment.standing import Value
from linelog.alignment.values import standing
from linelog.calc.wander.log import Track
from linelog.plant.limits import under_rules
from linelog.plant.models import Plant, Station
from linelog.production.days import production_day
from linelog.production.models import Event
from linelog.production.queries import fleet_strokes
from linelog.trends.due.tracks import JOLTS, Jolts, Key, Run, Strokes, kind_of, runs_of

LOOKED_BACK_DAYS = 1100  # three years: how a machine wandered before that says little of now. No source.


class Read:
    """What is read: stations under the limits that hold, values, strokes, jolts and the runs that they make."""

    def __init__(self, plant: Plant, machines: Sequence[int], at: dt.datetime) -> None:
        self.plant = plant
        since = at - dt.timedelta(days=LOOKED_BACK_DAYS)
        stations = Station.objects.filter(machine__in=machines, is_active=True).order_by("machine", "order", "pk")
        self.held = under_rules(stations, plant, at, self.day(at))
        self.stations = {station.pk: station for station in self.held}
        found = Result.objects.filter(
            visit__machine__in=machines, visit__state=Visit.State.SIGNED, visit__opened_at__gte=since
        )
        self.values: dict[int, list[Value]] = defaultdict(list)
        for value in standing(found).values:
            if value.station_id in self.stations:
                self.values[self.stations[value.station_id].machine_id].append(value)
        self.strokes = strokes_of(list(self.values), self.day(since))
        rows: dict[int, list[tuple[dt.datetime, str]]] = defaultdict(list)
        events = Event.objects.filter(machine__in=machines, kind__in=JOLTS, at__gte=since).order_by("at")
        for machine, when, kind in events.values_list("machine", "at", "kind"):
            rows[machine].append((when, kind))
        self.jolts = {machine: Jolts.of(rows[machine]) for machine in self.values}
        self.runs: dict[int, dict[Key, list[Run]]] = {
            machine: runs_of(values, self.strokes[machine], self.jolts[machine], self.day)
            for machine, values in self.values.items()
        }

    def day(self, at: dt.datetime) -> dt.date:
        """Return the production day of a time."""
        return production_day(self.plant, at)

    def kind(self, key: Key) -> str:
        """Name what the places of a kind have in common."""
        return kind_of(self.stations[key[0]], key)

    def track(self, machine: int, key: Key, run: Run, most: int) -> Track:
        """Return a run as the model takes it."""
        return run.track(machine, self.kind(key), self.stations[key[0]].limit_um, most)

    def tracks(self, machine: int, most: int) -> list[Track]:
        """Return all runs of a machine in which a place was found again."""
        runs = self.runs.get(machine, {})
        return [self.track(machine, key, run, most) for key, own in runs.items() for run in own if run.pairs]


def strokes_of(machines: Sequence[int], since: dt.date) -> dict[int, Strokes]:
    """Read the strokes of several machines by day."""
    counted, days, made = fleet_strokes(machines, since)
    ends = {machine: np.searchsorted(counted, [machine, machine + 1]) for machine in machines}
    return {machine: Strokes.of(days[first:last], made[first:last]) for machine, (first, last) in ends.items()}
