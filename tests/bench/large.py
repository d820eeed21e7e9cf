"""A plant of 120 machines with ten years behind it, for the benches: bulk inserts, all invented.

Three shifts a day with spoilage by cause, a visit every six weeks with a move at the tool pack, another tooling set
every four months, an event every three weeks, and every two weeks a can of which the wall was read at two heights.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from linelog.calc.wall import WallLevels

EVERY = 42
CAUSES = {"WALL": 520.0, "DOME": 420.0, "SCRATCH": 640.0, "SETUP": 900.0, "TEAR": 0.0}
KINDS = ("redraw_sleeve", "cup_locator", "tool_pack", "stripper", "domer")
EVENTS = ("jam", "jam", "jam", "metal", "bushing_work")
SAMPLED_EVERY = 14
HEIGHTS_MM = (60.0, 110.0)
WALL_UM, WALL_U_UM, SHARE = 100.0, 1.5, 0.3  # mean wall, U of an eccentricity, and it as a share of the offset


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


@dataclass(frozen=True, slots=True)
class Left:
    """Where the visits of a machine left its tool pack: when each was signed, and the offsets (n, 2), um."""

    at: list[dt.datetime]
    um: Any


def visits_of(machine: Any, by: Any, days: int, now: dt.datetime, rng: np.random.Generator) -> Left:
    """Store signed visits, each with results as found and as left, and a move at the tool pack."""
    from linelog.alignment.models import MoveMade, Result, Visit
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
    pack = next(station for station in stations if station.kind == "tool_pack")
    moved = {"station": pack, "unit": "mm", "words": "Shim out", "by": by}
    MoveMade.objects.bulk_create(MoveMade(visit=visit, at=visit.signed_at, **moved) for visit in made)
    of_pack = [row for row in rows if row.station == pack and row.stage == "as_left" and row.seat == pack.seats[0]]
    return Left(at, np.array([(row.x_um, row.y_um) for row in of_pack]))


def walls_of(machine: Any, by: Any, days: int, now: dt.datetime, left: Left, rng: np.random.Generator) -> None:
    """Store a can every two weeks, its wall off centre by a share of the pack's last offset, and noise."""
    from linelog.plant.models import Fitting
    from linelog.production.models import WallRing, WallSample

    ago = range(days - 20 - machine.pk % SAMPLED_EVERY, -1, -SAMPLED_EVERY)
    at = [now - dt.timedelta(days=day, hours=2) for day in ago]
    fitted = dict(
        Fitting.objects.filter(machine=machine).order_by("fitted_at").values_list("fitted_at", "tooling_set")
    )
    sets, changes = list(fitted.values()), list(fitted)
    last = [max(bisect_right(left.at, when) - 1, 0) for when in at]
    low = left.um[last] * SHARE + rng.normal(0.0, 1.0, (len(at), 2))
    high = 0.7 * low + rng.normal(0.0, 0.5, (len(at), 2))
    tilt = (high - low) / (HEIGHTS_MM[1] - HEIGHTS_MM[0])
    told = {"machine": machine, "step_um": 1.0, "unit": "mm", "tilt_expanded_mm_per_m": 0.04, "by": by}
    samples = WallSample.objects.bulk_create(
        WallSample(
            taken_at=when,
            at=when + dt.timedelta(hours=1),
            tooling_set_id=sets[max(bisect_right(changes, when) - 1, 0)],
            tilt_x_mm_per_m=x,
            tilt_y_mm_per_m=y,
            **told,
        )
        for when, (x, y) in zip(at, tilt.tolist(), strict=True)
    )
    plant = machine.line.plant
    levels = WallLevels(plant.wall_good_um, plant.wall_look_um, plant.wall_act_um)
    WallRing.objects.bulk_create(
        (
            WallRing(sample=sample, height_mm=height, **ring(thick, levels))
            for height, thicks in zip(HEIGHTS_MM, (low, high), strict=True)
            for sample, thick in zip(samples, thicks.tolist(), strict=True)
        ),
        batch_size=2000,
    )


def ring(thick: list[float], levels: WallLevels) -> dict[str, Any]:
    """Return the columns of a ring of a wall whose thick side lies there, um."""
    size = math.hypot(*thick)
    judged, seen = 2.0 * size + 1.0, size > WALL_U_UM
    steps = (("act", levels.act_um), ("look", levels.look_um), ("fair", levels.good_um), ("good", 0.0))
    return {
        "mean_um": WALL_UM,
        "x_um": thick[0],
        "y_um": thick[1],
        "size_um": size,
        "expanded_um": WALL_U_UM,
        "thin_deg": math.degrees(math.atan2(-thick[0], -thick[1])) % 360.0 if seen else None,
        "thin_within_deg": math.degrees(math.asin(WALL_U_UM / size)) if seen else None,
        "range_um": judged,
        "judged_um": judged,
        "state": next(state for state, level in steps if judged >= level),
        "good_um": levels.good_um,
        "look_um": levels.look_um,
        "act_um": levels.act_um,
        "algorithm": "bench",
    }


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
    from linelog.planning.models import StopWindow
    from linelog.planning.services import entries
    from linelog.production import weeks as calendar

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
            left = visits_of(machine, by, size.days, now, rng)
            fittings_of(machine, size.days, now)
            events_of(machine, by, size.days, now, rng)
            walls_of(machine, by, size.days, now, left, rng)
        made.append(machine)
    with transaction.atomic():
        findings(plant, by, size, now, rng)
        history(plant, by, size, now, rng)
        plan(plant, by, made, now)
    protection.put_in()
    counted = f"{size.findings:,} findings, {size.history:,} lines of history"
    print(f"  {size.machines} machines, {rows:,} shift rows, {counted}", flush=True)
    return plant
