"""A plant of 120 machines with ten years behind it, for the benches: bulk inserts, all invented."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

EVERY = 42
CAUSES = {"WALL": 520.0, "DOME": 420.0, "SCRATCH": 640.0, "SETUP": 900.0, "TEAR": 0.0}
KINDS = ("redraw_sleeve", "cup_locator", "tool_pack", "stripper", "domer")
EVENTS = ("jam", "jam", "jam", "metal", "bushing_work")


@dataclass(frozen=True, slots=True)
class Size:
    """How large: machines, days of counts, findings, lines of history."""

    machines: int = 120
    days: int = 3650
    findings: int = 20_000
    history: int = 300_000


FULL, QUICK = Size(), Size(12, 730, 2000, 5000)


def shifts_of(machine: Any, shifts: list[Any], days: int, until: dt.date, rng: np.random.Generator) -> pl.DataFrame:
    """Return the shift rows of a machine, with causes."""
    n = days * len(shifts)
    begun = rng.normal(130_000, 9_000, n).clip(1_000).astype(np.int64)
    torn = rng.negative_binomial(20, 20 / (20 + begun * 40e-6))
    by_cause = {code: rng.poisson(begun * rate / 1e6) if rate else torn for code, rate in CAUSES.items()}
    spoiled = sum(by_cause.values()) + rng.poisson(5, n)
    first = np.datetime64(until, "D") - (days - 1)
    rows = zip(*(cans.tolist() for cans in by_cause.values()), strict=True)
    return pl.DataFrame(
        {
            "machine_id": np.full(n, machine.pk),
            "day": first + np.repeat(np.arange(days), len(shifts)),
            "shift_id": np.tile([shift.pk for shift in shifts], days),
            "cans": begun - spoiled,
            "spoiled": spoiled,
            "tear_offs": torn,
            "short_cans": np.zeros(n, dtype=np.int64),
            "jams": np.zeros(n, dtype=np.int64),
            "minutes_down": np.zeros(n),
            "by_cause": [json.dumps(dict(zip(CAUSES, row, strict=True))) for row in rows],
            "version": np.ones(n, dtype=np.int64),
        }
    )


def visits_of(machine: Any, by: Any, days: int, now: dt.datetime, rng: np.random.Generator) -> None:
    """Store signed visits, each with results as found and as left."""
    from linelog.alignment.models import Result, Visit
    from tests.trends.invented import result

    # Not all machines on one day: the last visit of one of them in forty-two lies on the day that the night adds.
    at = [now - dt.timedelta(days=day) for day in range(days - 20 - machine.pk % EVERY, -1, -EVERY)]
    signed = {"machine": machine, "opened_by": by, "signed_by": by, "state": "signed"}
    reasons = rng.choice(["routine", "routine", "routine", "tear_offs", "jam"], len(at))
    made = Visit.objects.bulk_create(
        Visit(opened_at=when, signed_at=when, reason=str(reason), **signed)
        for when, reason in zip(at, reasons, strict=True)
    )
    stations = [one for one in machine.stations.all() if one.kind in KINDS]
    rows = []
    for visit in made:
        for station in stations:
            for seat in station.seats:
                for stage, size in (("as_found", 0.5), ("as_left", 0.3)):
                    x, y = (rng.normal(0.0, size, 2) * station.limit_um).tolist()
                    rows.append(result(visit, station, stage, (x, y), seat=seat))
    Result.objects.bulk_create(rows, batch_size=2000)


def fittings_of(machine: Any, days: int, now: dt.datetime) -> None:
    """Have three tooling sets of a machine take turns, a third of a year each."""
    from linelog.plant.models import Fitting, ToolingSet

    sets = [ToolingSet.objects.create(plant=machine.line.plant, name=f"{machine.name} {one}") for one in "ABC"]
    begins = [now - dt.timedelta(days=days - turn) for turn in range(0, days - 60, 120)]
    Fitting.objects.bulk_create(
        Fitting(tooling_set=sets[turn % 3], machine=machine, fitted_at=begin, removed_at=end)
        for turn, (begin, end) in enumerate(zip(begins, [*begins[1:], None], strict=True))
    )


def events_of(machine: Any, by: Any, days: int, now: dt.datetime, rng: np.random.Generator) -> None:
    """Store an event about every three weeks."""
    from linelog.production.models import Event

    ago = rng.integers(0, days, days // 21).tolist()
    Event.objects.bulk_create(
        Event(machine=machine, at=now - dt.timedelta(days=day), kind=EVENTS[n % len(EVENTS)], by=by)
        for n, day in enumerate(ago)
    )


def findings(plant: Any, by: Any, size: Size, now: dt.datetime, rng: np.random.Generator) -> None:
    """Store findings with days and marks all over the years."""
    from linelog.production.models import Finding

    codes, place = list(plant.defect_codes.all()), plant.finding_places.first()
    rows = []
    for _ in range(size.findings):
        day = now.date() - dt.timedelta(days=int(rng.integers(0, size.days)))
        begins_at = dt.datetime.combine(day, dt.time(), tzinfo=dt.UTC)
        when = {"made_on": day, "made_from": begins_at, "made_to": begins_at + dt.timedelta(days=1), "found_on": day}
        what = {
            "place": place,
            "code": codes[rng.integers(0, len(codes))],
            "mark": str(rng.integers(0, size.machines)),
        }
        rows.append(Finding(plant=plant, quantity=2, made_by="found", by=by, at=now, **what, **when))
    Finding.objects.bulk_create(rows, batch_size=1000)


def history(plant: Any, by: Any, size: Size, now: dt.datetime, rng: np.random.Generator) -> None:
    """Store lines of history, as many as the readings of those years leave."""
    from linelog.web.models import AuditEvent

    who = {"actor_id": by.pk, "actor_name": str(by), "plant_id": plant.pk, "action": "typed reading"}
    for seconds in np.array_split(rng.integers(0, size.days * 86_400, size.history), 30):
        AuditEvent.objects.bulk_create(
            (
                AuditEvent(
                    at=now - dt.timedelta(seconds=one),
                    object_type="reading",
                    object_id=str(one),
                    object_label="Domer, bore",
                    after={"typed": "0.05"},
                    **who,
                )
                for one in seconds.tolist()
            ),
            batch_size=2000,
        )


def plan(plant: Any, by: Any, machines: list[Any], now: dt.datetime) -> None:
    """Store a stop a week for each line and twenty planned visits."""
    from linelog.planning import weeks as calendar
    from linelog.planning.models import StopWindow
    from linelog.planning.services import entries

    weeks = calendar.coming(now.date(), 8)
    lines = {machine.line_id: machine.line for machine in machines}.values()
    for number, week in enumerate(weeks[1:]):
        for shift, line in enumerate(lines):
            starts = calendar.begins(plant, week + dt.timedelta(days=(number + shift) % 5, hours=6))
            ends = starts + dt.timedelta(hours=18)  # as long as a visit that opens every station
            StopWindow.objects.create(plant=plant, line=line, starts_at=starts, ends_at=ends)
    about = {"by": by, "at": now, "hours": 4.0, "reason": "Due."}
    planned = [
        entries.put(machine=one, week=weeks[1 + n % 7], pinned=n % 3 == 0, **about)
        for n, one in enumerate(machines[:20])
    ]
    return planned[0]


def fill(size: Size) -> Any:
    """Make the plant and return it."""
    from django.db import transaction
    from django.utils import timezone

    from linelog.plant.models import Shift
    from linelog.production import bulk, sums
    from linelog.production.models import ShiftCount, SpoilageCause
    from linelog.web import protection
    from tests import factories

    now, rng = timezone.now(), np.random.default_rng(7)
    plant = factories.plant(name="Bench", crew_hours_per_week=60.0)
    factories.finding_lists(plant)
    by = factories.person("manager", plant)
    for code in CAUSES:
        SpoilageCause.objects.create(plant=plant, code=code, name=code.title())
    lines = [factories.line(plant, name=f"Line {number}") for number in range(max(1, size.machines // 10))]
    shifts, rows, made = list(Shift.objects.filter(plant=plant)), 0, []
    protection.take_out()
    for number in range(size.machines):
        with transaction.atomic():
            machine = factories.machine(lines[number % len(lines)], mark=str(number), name=f"BM {number}")
            machine.marks.update(starts_on=now.date() - dt.timedelta(days=size.days))
            table = shifts_of(machine, shifts, size.days, now.date() - dt.timedelta(days=1), rng)
            rows += bulk.insert(ShiftCount._meta.db_table, table.columns, bulk.payload(table))
            sums.refresh(machine.pk, now.date() - dt.timedelta(days=size.days), now.date())
            visits_of(machine, by, size.days, now, rng)
            fittings_of(machine, size.days, now)
            events_of(machine, by, size.days, now, rng)
        made.append(machine)
    with transaction.atomic():
        findings(plant, by, size, now, rng)
        history(plant, by, size, now, rng)
        plan(plant, by, made, now)
    protection.put_in()
    counted = f"{size.findings:,} findings, {size.history:,} lines of history"
    print(f"  {size.machines} machines, {rows:,} shift rows, {counted}", flush=True)
    return plant
