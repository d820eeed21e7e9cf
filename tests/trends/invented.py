"""Invented visits and counts for the tests of the trends and for the bench; nothing here was ever measured."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np

from linelog.alignment.models import BushingClearance, Result, Visit
from linelog.calc.verdict import judge
from linelog.plant.models import Machine, Person, Plant, Station
from linelog.production.models import DayCount
from linelog.trends.due.now import Asked, facts_now
from linelog.trends.due.rule import Due, due
from linelog.trends.due.store import refit_drifts
from linelog.trends.models import Signal
from linelog.trends.state.outlook import Coming, coming
from linelog.web import protection
from tests import factories

Offset = tuple[float, float]


def result(visit: Visit, station: Station, stage: str, xy: Offset, **more: Any) -> Result:
    """An unsaved result of a visit, um, judged against the station's limit."""
    radial, expanded = math.hypot(*xy), more.pop("expanded_um", 6.0)
    judged = judge(radial, expanded, station.limit_um)
    values = {
        "visit": visit,
        "station": station,
        "stage": stage,
        "seat": station.seats[0],
        "method": "static",
        "x_um": xy[0],
        "y_um": xy[1],
        "radial_um": radial,
        "u_x_um": expanded / 2,
        "u_y_um": expanded / 2,
        "expanded_um": expanded,
        "readings": 5,
        "verdict": judged.verdict.value,
        "severity": judged.severity,
        "limit_um": station.limit_um,
        "algorithm": "test",
        "at": visit.opened_at,
    }
    return Result(**(values | more))


def signed_visit(machine: Machine, by: Person, at: dt.datetime, **more: Any) -> Visit:
    """A signed visit without results."""
    return Visit.objects.create(
        **{
            "machine": machine,
            "opened_by": by,
            "opened_at": at,
            "reason": Visit.Reason.ROUTINE,
            "state": Visit.State.SIGNED,
            "signed_by": by,
            "signed_at": at,
            **more,
        }
    )


def history(
    machine: Machine, by: Person, visits: int, *, until: dt.datetime, every: int = 14, seed: int = 1, **more: Any
) -> list[Visit]:
    """Signed visits with every station swept static, settling down and to the left, some of them put right."""
    random = np.random.default_rng(seed)
    made, rows = [], []
    stations = list(machine.stations.all())
    for number in range(visits, 0, -1):
        visit = signed_visit(machine, by, until - dt.timedelta(days=every * number), **more)
        made.append(visit)
        for station in stations:
            for seat in station.seats:
                size = station.limit_um * random.uniform(0.2, 1.5)
                toward = math.radians(random.normal(200.0, 40.0))
                found = (size * math.sin(toward), size * math.cos(toward))
                left = (found[0] * 0.2, found[1] * 0.2) if size > station.limit_um else found
                rows.append(result(visit, station, "as_found", found, seat=seat))
                rows.append(result(visit, station, "as_left", left, seat=seat, carried=left is found))
    store(rows)
    return made


def store(rows: list[Result]) -> None:
    """Store results of visits that are signed already, which the log itself could not."""
    with protection.lifted():
        Result.objects.bulk_create(rows)


def clearance(
    visit: Visit, station: Station, um: float, *, stage: str = "as_found", u_um: float = 2.0, limit_um: float = 80.0
) -> None:
    """The clearance of a bushing that a signed visit measured, um."""
    columns = {
        "up_down_um": um,
        "left_right_um": um - 3,
        "clearance_up_down_um": um,
        "clearance_left_right_um": um - 3,
        "clearance_um": um,
        "expanded_um": u_um,
        "limit_um": limit_um,
        "verdict": judge(um, u_um, limit_um).verdict.value,
        "severity": um / limit_um,
    }
    with protection.lifted():
        BushingClearance.objects.create(
            visit=visit,
            station=station,
            stage=stage,
            unit="mm",
            algorithm="test",
            by=visit.opened_by,
            at=visit.opened_at,
            **columns,
        )


def day_rows(
    machine: Machine, days: int, *, until: dt.date, per_million: float = 40.0, spread: float = 0.3, seed: int = 1
) -> list[DayCount]:
    """Unsaved daily sums whose tear-offs scatter more than chance alone would make them."""
    random = np.random.default_rng(seed)
    cans = random.normal(400_000, 30_000, days).clip(1_000).astype(int)
    rate = per_million / 1e6 * random.gamma(1 / spread**2, spread**2, days)
    tear_offs = random.poisson(rate * cans)
    spoiled = random.poisson(0.004 * cans * random.gamma(25.0, 0.04, days)) + tear_offs
    return [
        DayCount(
            machine=machine,
            day=until - dt.timedelta(days=days - 1 - index),
            cans=int(cans[index]),
            spoiled=int(spoiled[index]),
            tear_offs=int(tear_offs[index]),
            jams=int(tear_offs[index] // 6),
            minutes_down=float(tear_offs[index] * 5),
        )
        for index in range(days)
    ]


def coming_anew(plant: Plant, number: int, *, at: dt.datetime, only: Machine | None = None) -> Coming:
    """What is to be expected once the worker has worked out what the log holds."""
    refit_drifts(plant, at)
    return coming(plant, number, at=at, only=only)


def due_of(machine: Machine, last: dt.date | None, at: dt.datetime, today: dt.date) -> Due:
    """When a machine is due whose last visit was on a day, once the worker has worked out what the log holds."""
    refit_drifts(machine.line.plant, at)
    found = facts_now([Asked(machine.pk, machine.line.plant, last)], at=at)
    return due(found.facts[machine.pk], today)


def counts(machine: Machine, days: int, *, until: dt.date, **more: Any) -> None:
    """Store daily sums."""
    DayCount.objects.bulk_create(day_rows(machine, days, until=until, **more), batch_size=2000)


def made_signal(machine: Machine, day: dt.date, **more: Any) -> Signal:
    """A stored signal of a machine against its line."""
    figures = {"rate": 60.0, "centre": 40.0, "counts": 24, "made": 400_000, "refitted_at": factories.NOW}
    about = {"measure": "tear_offs", "rule": "line", "up": True, "day": day, "began_on": day}
    return Signal.objects.create(machine=machine, **{**about, **figures, **more})
