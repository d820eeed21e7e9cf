"""A plant in which every table has at least one row, and not one number of which was ever measured."""

import datetime as dt

from django.utils import timezone

from linelog.alignment.models import AmendedReading, Amendment, MoveMade, Reading, Result, Visit
from linelog.planning.models import PlannedPart
from linelog.production.models import DayCount
from linelog.trends import refit
from linelog.trends.evidence.before_after_fit import KIND, scope_of
from linelog.trends.ranking.refit import refit_ranking
from linelog.web import audit, protection
from tests import factories
from tests.trends import invented
from tests.world import World

FORMULA = "=1+1"


def filled(**given):
    """Return a World whose plant fills every table."""
    world = World(**given)
    for role in ("viewer", "quality", "manager"):
        world.person(role)
    by, today = world.person("mechanic"), factories.counted_today()
    for name in ("count", "event", "finding", "signal", "taken_up", "planned", "tool_part", "fitting", "wall_sample"):
        getattr(world, name)
    PlannedPart.objects.create(entry=world.planned, window=world.stop, starts_at=world.stop.starts_at, hours=1.5)
    world.event.note = FORMULA
    world.event.save()
    with protection.lifted():
        visits = invented.history(world.machine, by, 2, until=timezone.now())
        readings(visits[0], world.station, by)
    others = [world.machine, *(factories.machine(world.line) for _ in range(2))]
    DayCount.objects.bulk_create(row for one in others for row in invented.day_rows(one, 30, until=today))
    judged(world, visits[0])
    refit_ranking(world.plant, timezone.now())
    audit.record(by=by, action="visit signed", obj=visits[0], at=timezone.now(), after={}, plant_id=world.plant.pk)
    world.visits = visits
    return world


def judged(world, visit):
    """What was counted before and after a visit, judged by one rate."""
    told = {"visit": visit.pk, "machine": world.machine.pk, "day": visit.opened_at.date().isoformat(), "why": ""}
    figures = {"expected": 50.0, "ratio": 0.4, "ratio_low": 0.3, "ratio_high": 0.6}
    sides = {"made_before": 900_000, "made_after": 800_000, "counts_before": 60, "counts_after": 20}
    columns = {name: [value] for name, value in (told | figures | sides).items()}
    result = {"visits": columns, "spans": {"all": {"claimed": [visit.pk]}}}
    refit.keep(world.plant, KIND, scope_of("tear_offs", 7), timezone.now(), rests_on={}, result=result, sentence="")


def readings(visit, station, by):
    """A sweep of four, a move, and an amendment of a reading and of a result."""
    sweep = visit.sweeps.create(station=station, stage="as_found", indicator="@dial 1", sag_um=-4.0)
    at = visit.opened_at
    rows = [
        Reading(sweep=sweep, angle_deg=angle, value_um=value, typed=f"{value / 1000:.2f}", unit="mm", by=by, at=at)
        for angle, value in ((0.0, 0.0), (90.0, -20.0), (180.0, 30.0), (270.0, 50.0))
    ]
    kept = Reading.objects.bulk_create(rows)
    adjuster = station.adjusters.first()
    facts = {"verb": "put_in", "travel_um": 50.0, "put_in_um": [25, 25], "typed": "0.05", "unit": "mm"}
    MoveMade.objects.create(visit=visit, station=station, adjuster=adjuster, by=by, at=at, **facts)
    said = Amendment.objects.create(visit=visit, station=station, stage="as_found", reason="misread", by=by, at=at)
    AmendedReading.objects.create(amendment=said, reading=kept[3], value_um=55.0, typed="0.055", unit="mm")
    place = {"visit": visit, "station": station, "stage": "as_left", "seat": ""}
    assert Result.objects.filter(**place).exists()
    facts = {"x_um": 7.0, "y_um": 24.0, "reason": "turned the wrong way"}
    Amendment.objects.create(**place, by=by, at=at + dt.timedelta(hours=1), **facts)


def signed_at_the_change_of_clocks(machine, by):
    """A visit opened before and one after midnight of the plant, when UTC still has the day before."""
    times = (dt.datetime(2026, 3, 27, 22, 30, tzinfo=dt.UTC), dt.datetime(2026, 3, 28, 23, 30, tzinfo=dt.UTC))
    return [Visit.objects.create(machine=machine, opened_by=by, opened_at=at, reason="routine") for at in times]
