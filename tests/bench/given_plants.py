"""Plants of known truth that come as files: read, and stored as the log and the counts would be.

One folder a plant: `plant.json` (machines with lines, stations with limits, what is true), `visits.csv`,
`offsets.csv` (as found and as left, true and as read), `counts.csv` (a day a row), `events.csv`, `tools.csv`. Whoever
makes them needs to know nothing of this program.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

# What happens in a visit is logged after its first readings; jams and crashes come before it.
MID_DAY, JOLTED, WORKED = dt.time(12), dt.time(8), dt.time(13)
Offset = tuple[float, float]
Place = tuple[str, int]  # station's name, seat


def at(day: dt.date, time: dt.time = MID_DAY) -> dt.datetime:
    """Return a time of a day, in UTC as all given plants are."""
    return dt.datetime.combine(day, time, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True)
class GivenVisit:
    """A visit: how far each place was truly off when it was found, um, and the rows of what was read."""

    machine: str
    day: dt.date
    reason: str
    called: bool
    true: dict[Place, float]
    rows: list[dict[str, Any]]

    @property
    def read(self) -> dict[Place, float]:
        """How far off each place was read to be when it was found, um."""
        found = [row for row in self.rows if row["stage"] == "as_found"]
        return {(row["station"], row["seat"]): math.hypot(*_read(row)) for row in found}


@dataclass(frozen=True, slots=True)
class Given:
    """A plant as its files have it."""

    about: dict[str, Any]
    visits: list[GivenVisit]
    counts: pl.DataFrame
    events: pl.DataFrame
    tools: pl.DataFrame

    @property
    def truth(self) -> dict[str, Any]:
        """What is true of it."""
        return dict(self.about["truth"])

    @property
    def dial(self) -> str:
        """Whether its dial is really off much further than is claimed of it."""
        far = self.truth.get("dial", {}).get("real_error_over_claimed", 1.0)
        return "poor dial" if far > 1.5 else "dial as claimed"

    @property
    def days(self) -> tuple[dt.date, dt.date]:
        """First and last day with counts."""
        day = self.counts["day"]
        return day.min(), day.max()


def plants_of(world: Path) -> list[Path]:
    """Return the folders of a world's plants by number."""
    return sorted((one for one in world.iterdir() if (one / "plant.json").is_file()), key=lambda one: int(one.name))


def read(folder: Path) -> Given:
    """Read the files of a plant."""
    frames = {
        name: pl.read_csv(folder / f"{name}.csv", try_parse_dates=True, infer_schema_length=None)
        for name in ("visits", "offsets", "counts", "events", "tools")
    }
    by_visit: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in frames["offsets"].iter_rows(named=True):
        by_visit[row["visit"]].append(row)
    visits = [
        GivenVisit(
            one["machine"],
            one["day"],
            one["reason"],
            bool(one["called"]),
            {
                (row["station"], row["seat"]): math.hypot(row["true_x_um"], row["true_y_um"])
                for row in by_visit[one["visit"]]
                if row["stage"] == "as_found"
            },
            by_visit[one["visit"]],
        )
        for one in frames["visits"].sort("day").iter_rows(named=True)
    ]
    about = json.loads((folder / "plant.json").read_text(encoding="utf-8"))
    return Given(about, visits, frames["counts"], frames["events"].sort("day"), frames["tools"])


@dataclass(slots=True)
class Stored:
    """A given plant in the database; visits and events go in as time goes on."""

    given: Given
    plant: Any
    by: Any
    machines: dict[str, Any]
    stations: dict[tuple[str, str], Any] = field(default_factory=dict)
    visit_of: dict[int, GivenVisit] = field(default_factory=dict)
    visits_in: int = 0
    events_in: int = 0

    def up_to(self, day: dt.date) -> None:
        """Store the events up to a day, and the visits before it."""
        from linelog.production.models import Event

        rows = list(self.given.events.iter_rows(named=True))
        fresh = [row for row in rows[self.events_in :] if row["day"] <= day]
        known = set(Event.Kind.values)
        Event.objects.bulk_create(
            Event(
                machine=self.machines[row["machine"]],
                at=at(row["day"], JOLTED if row["kind"] in ("jam", "crash") else WORKED),
                kind=row["kind"] if row["kind"] in known else "other",
                by=self.by,
            )
            for row in fresh
        )
        self.events_in += len(fresh)
        while self.visits_in < len(self.given.visits) and self.given.visits[self.visits_in].day < day:
            self._visit(self.given.visits[self.visits_in])
            self.visits_in += 1

    def next_visits(self) -> Iterator[GivenVisit]:
        """Return the visits that are not stored yet."""
        yield from self.given.visits[self.visits_in :]

    def places(self, machine: str) -> dict[tuple[int, str], Place]:
        """Return the given name of each place of a machine, by the station's key and its seat."""
        return {
            (station.pk, seat): (name, number)
            for (of, name), station in self.stations.items()
            if of == machine
            for number, seat in enumerate(station.seats, start=1)
        }

    def _visit(self, one: GivenVisit) -> None:
        from tests.trends import invented

        reasons = {"routine", "tear_offs", "spoilage", "wall", "jam", "tool_change", "ram_work", "follow_up"}
        reason = one.reason if one.reason in reasons else "other"
        visit = invented.signed_visit(self.machines[one.machine], self.by, at(one.day), reason=reason)
        found = {(row["station"], row["seat"]): _read(row) for row in one.rows if row["stage"] == "as_found"}
        results = []
        for row in one.rows:
            station = self.stations[one.machine, row["station"]]
            same = row["stage"] == "as_left" and found.get((row["station"], row["seat"])) == _read(row)
            seat = station.seats[row["seat"] - 1]
            more = {"seat": seat, "expanded_um": 2.0 * row["u_um"], "carried": same}
            results.append(invented.result(visit, station, row["stage"], _read(row), **more))
        invented.store(results)
        self.visit_of[visit.pk] = one


def _read(row: dict[str, Any]) -> Offset:
    return row["read_x_um"], row["read_y_um"]


def store(given: Given) -> Stored:
    """Store a plant with its counts and tools, and no visit yet."""
    from tests import factories

    about = given.about
    plant = factories.plant(name=f"{about['world']} {about['seed']}", timezone="UTC")
    by = factories.person("manager", plant)
    lines = {name: factories.line(plant, name=name) for name in sorted({one["line"] for one in about["machines"]})}
    machines = {one["name"]: factories.machine(lines[one["line"]], name=one["name"]) for one in about["machines"]}
    stored = Stored(given, plant, by, machines)
    for name, machine in machines.items():
        for number, told in enumerate(about["stations"]):
            stored.stations[name, told["name"]] = _station(machine, told, number)
    _counts(stored)
    _tools(stored)
    return stored


def _station(machine: Any, told: dict[str, Any], number: int) -> Any:
    """Take the station of that kind, with its given limit; add one where there is none."""
    from linelog.plant.models import Station

    kinds = {"bushing": Station.Kind.FRONT_BUSHING}
    kind = kinds.get(told["kind"], told["kind"])
    station = machine.stations.filter(kind=kind).first()
    if station is None:
        station = Station(machine=machine, kind=Station.Kind.OTHER, order=100 + number, z_mm=100.0)
    station.name, station.limit_um = told["name"], told["limit_um"]
    if told["seats"] == 1:
        station.rear_z_mm = None
    station.save()
    return station


def _counts(stored: Stored) -> None:
    from linelog.production.models import DayCount

    DayCount.objects.bulk_create(
        (
            DayCount(
                machine=stored.machines[row["machine"]],
                **{name: row[name] for name in ("day", "cans", "spoiled", "tear_offs")},
            )
            for row in stored.given.counts.iter_rows(named=True)
        ),
        batch_size=2000,
    )


def _tools(stored: Stored) -> None:
    from linelog.plant.models import Fitting, ToolingSet

    rows = list(stored.given.tools.sort("fitted_day").iter_rows(named=True))
    sets = {
        name: ToolingSet.objects.create(plant=stored.plant, name=name)
        for name in sorted({row["set"] for row in rows})
    }
    Fitting.objects.bulk_create(
        Fitting(
            tooling_set=sets[row["set"]],
            machine=stored.machines[row["machine"]],
            fitted_at=at(row["fitted_day"], WORKED),
            removed_at=at(row["removed_day"], MID_DAY) if row["removed_day"] else None,
        )
        for row in rows
        if row["removed_day"] is None or row["removed_day"] > row["fitted_day"]
    )
