"""Keep the drift of machines worked out: written again wherever the log has changed since."""

from __future__ import annotations

import datetime as dt
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import partial

from django.db.models import Count, Max, OuterRef, Subquery, Sum

from linelog.alignment.models import Amendment, Result, Visit
from linelog.alignment.results.as_runs import as_it_runs
from linelog.alignment.results.now import knowledge_by_machine
from linelog.alignment.running import travels_of
from linelog.alignment.standing import AS_LEFT, Value
from linelog.alignment.values import standing
from linelog.plant.limits import under_rules
from linelog.plant.models import Fitting, LimitRule, Machine, Plant, Station
from linelog.production.days import production_day
from linelog.production.models import Event
from linelog.production.queries import fleet_day_counts
from linelog.trends import words
from linelog.trends.due.places import Key, Moves, Place, Strokes, by_kind, moves, place
from linelog.trends.models import MachineDrift

ALGORITHM = "2"  # 2: sweeps of bushings are not judged
LOOKED_BACK_DAYS = 1100  # three years: how a machine wandered before that says little of now. No source.
#: What may have moved something: due at once, and no pair across it is drift.
JOLTS = (
    Event.Kind.JAM,
    Event.Kind.CRASH,
    Event.Kind.RAM_WORK,
    Event.Kind.BUSHING_WORK,
    Event.Kind.CRADLE_WORK,
)
FIELDS = ["basis", "at", "due_million", "driver", "driver_place", "since", "places", "left_severity"]


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
        pk: _basis(signing, version, versions.get(pk), jolt, amendments.get(pk), risk, *(limits if limits[0] else ()))
        for pk, signing, jolt, risk, version, *limits in rows
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
    """Work out and store the drift of some machines of a line, from the pairs of all of it."""
    plant = Plant.objects.get(lines=line)
    read = LineRead(line, plant, at)
    rows = []
    for pk in wanted:
        rows.append(read.row(pk, now[pk], at))
        if ends is not None and time.monotonic() > ends:
            break
    MachineDrift.objects.bulk_create(rows, update_conflicts=True, unique_fields=["machine"], update_fields=FIELDS)


def refit_drifts(plant: Plant, now: dt.datetime) -> None:
    """Work out the drift of every machine of a plant, as the counts between its visits may have changed too."""
    lines: dict[int, list[int]] = defaultdict(list)
    for line, pk in Machine.objects.filter(line__plant=plant).order_by("line", "pk").values_list("line", "pk"):
        lines[line].append(pk)
    known = bases([pk for ids in lines.values() for pk in ids])
    for line, ids in lines.items():
        work_out(line, ids, known, at=now)


class LineRead:
    """The values, strokes and jolts of a line read once, and the pairs they make."""

    def __init__(self, line: int, plant: Plant, at: dt.datetime) -> None:
        self.plant, self.risk = plant, plant.risk_percent / 100.0
        since = at - dt.timedelta(days=LOOKED_BACK_DAYS)
        stations = Station.objects.filter(machine__line=line, is_active=True).order_by("machine", "order", "pk")
        held = under_rules(stations, plant, at, self._day(at))
        self.stations = {station.pk: station for station in held}
        found = Result.objects.filter(
            visit__machine__line=line, visit__state=Visit.State.SIGNED, visit__opened_at__gte=since
        )
        self.values: dict[int, list[Value]] = defaultdict(list)
        for value in standing(found).values:
            if value.station_id in self.stations:
                self.values[self.stations[value.station_id].machine_id].append(value)
        self.strokes = _strokes(list(self.values), self._day(since))
        jolts: dict[int, list[dt.datetime]] = defaultdict(list)
        rows = Event.objects.filter(machine__line=line, kind__in=JOLTS, at__gte=since).order_by("at")
        for machine, when in rows.values_list("machine", "at"):
            jolts[machine].append(when)
        paired = {
            machine: moves(values, self.strokes[machine], jolts[machine], self._day)
            for machine, values in self.values.items()
        }
        kinds = {pk: station.kind for pk, station in self.stations.items()}
        self.own = {key: one for pairs, _ in paired.values() for key, one in pairs.items()}
        known = knowledge_by_machine(Machine.objects.in_bulk(list(self.values)), held)
        travels = travels_of({value.visit_id for values in self.values.values() for value in values})
        as_run = partial(as_it_runs, stations=self.stations, known=known, travels=travels)
        # A change between two visits is one of the readings; where a station was left, and how far that is off, is as
        # it runs.
        self.left = {
            machine: dict(zip(left, as_run(left.values()), strict=True)) for machine, (_, left) in paired.items()
        }
        self.left_severity = {machine: _left_severity(as_run(values)) for machine, values in self.values.items()}
        self.line = by_kind(self.own, kinds)

    def _day(self, at: dt.datetime) -> dt.date:
        return production_day(self.plant, at)

    def _place(self, key: Key, last: Value) -> Place:
        station, nothing = self.stations[key[0]], Moves([], [])
        pool = self.line.get((station.kind, key[1], key[2]), nothing)
        left_on = self._day(last.visit_at)
        own = self.own.get(key, nothing)
        return place(last, station.kind, station.limit_um, own, pool, left_on=left_on, risk=self.risk)

    def row(self, machine: int, basis: str, at: dt.datetime) -> MachineDrift:
        """Return the summary of a machine."""
        places = [self._place(key, last) for key, last in self.left.get(machine, {}).items()]
        first = self._first(machine, places)
        station = self.stations[first.station] if first else None
        label = words.place(station, first.seat) if station and first else ""
        return MachineDrift(
            machine_id=machine,
            basis=basis,
            at=at,
            due_million=first.due_million if first else None,
            driver=station,
            driver_place=(f"{label}, running" if first and first.method == "running" else label)[:80],
            since=first.since if first else None,
            places=[one.plain() for one in places],
            left_severity=self.left_severity.get(machine),
        )

    def _first(self, machine: int, places: Iterable[Place]) -> Place | None:
        """Return the place with the fewest strokes left until the risk."""
        strokes = self.strokes[machine] if machine in self.strokes else Strokes.of([], [])
        left = [
            (one.due_million - strokes.between(one.since, dt.date.max), number, one)
            for number, one in enumerate(places)
            if one.due_million is not None
        ]
        return min(left)[2] if left else None


def _strokes(machines: list[int], since: dt.date) -> dict[int, Strokes]:
    """Read the strokes of several machines by day; every can that was begun is one."""
    found = fleet_day_counts(machines, since, None)
    made = found.days.made
    return {
        machine: Strokes.of(found.days.day[found.machine_id == machine], made[found.machine_id == machine])
        for machine in machines
    }


def _left_severity(values: Iterable[Value]) -> float | None:
    worst: dict[int, float] = {}
    for value in values:
        if value.stage == AS_LEFT:
            worst[value.visit_id] = max(worst.get(value.visit_id, 0.0), value.severity)
    return sum(worst.values()) / len(worst) if worst else None
