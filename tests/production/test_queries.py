"""What others read: the numbers come out as they were stored, by day, by week, by machine and by cause."""

import datetime as dt

import numpy as np
import pytest

from linelog.plant.models import Shift
from linelog.production import queries
from linelog.production.days import day_begins, production_day
from linelog.production.models import DayCount, Event, ShiftCount, SpoilageCause
from tests import factories

pytestmark = pytest.mark.django_db
DAY = dt.date(2026, 3, 1)  # a Sunday


def _sums(machine, count, start=DAY):
    DayCount.objects.bulk_create(
        DayCount(machine=machine, day=start + dt.timedelta(days=i), cans=1000 + i, spoiled=i, minutes_down=i / 2)
        for i in range(count)
    )


def test_day_counts_come_in_order_of_time_with_both_ends_of_the_span():
    machine, other = factories.machine(), factories.machine()
    _sums(machine, 10)
    _sums(other, 3)
    series = queries.day_counts(machine, DAY + dt.timedelta(days=2), DAY + dt.timedelta(days=4))
    assert series.day.dtype == np.dtype("datetime64[D]")
    assert series.day.astype(object).tolist() == [DAY + dt.timedelta(days=i) for i in (2, 3, 4)]
    assert series.cans.tolist() == [1002, 1003, 1004]
    assert series.made.tolist() == [1004, 1006, 1008]
    assert series.minutes_down.tolist() == [1.0, 1.5, 2.0]


def test_a_machine_without_counts_gives_empty_arrays_of_the_right_kind():
    series = queries.day_counts(factories.machine(), None, None)
    assert len(series) == 0
    assert len(queries.weekly(series)) == 0
    assert series.cans.dtype == np.int64
    assert len(queries.fleet_day_counts([], None, None).machine_id) == 0


def test_weeks_begin_on_monday_and_keep_every_can():
    machine = factories.machine()
    _sums(machine, 16)
    daily = queries.day_counts(machine, None, None)
    weeks = queries.weekly(daily)
    # ISO 8601 weeks by Python's own calendar.
    expected: dict[dt.date, int] = {}
    for day, cans in zip(daily.day.astype(object), daily.cans.tolist(), strict=True):
        monday = dt.date.fromisocalendar(day.isocalendar().year, day.isocalendar().week, 1)
        expected[monday] = expected.get(monday, 0) + cans
    assert dict(zip(weeks.day.astype(object).tolist(), weeks.cans.tolist(), strict=True)) == expected


def test_the_fleet_is_told_apart_by_machine():
    line = factories.line()
    first, second = factories.machine(line), factories.machine(line)
    _sums(first, 2)
    _sums(second, 3)
    fleet = queries.fleet_day_counts(line.machines.all(), None, None)
    assert fleet.machine_id.tolist() == [first.pk] * 2 + [second.pk] * 3
    assert fleet.days.spoiled.tolist() == [0, 1, 0, 1, 2]
    own = fleet.by_machine()
    assert {pk: days.spoiled.tolist() for pk, days in own.items()} == {first.pk: [0, 1], second.pk: [0, 1, 2]}
    assert queries.fleet_day_counts([], None, None).by_machine() == {}
    totals = queries.machine_totals(line.machines.all(), DAY + dt.timedelta(days=1), None)
    assert totals[first.pk] == queries.Totals(1001, 1, 0, 0, 0, 0.5, 1)
    assert totals[second.pk].days == 2


def test_causes_add_up_to_what_was_spoiled():
    machine = factories.machine()
    shift = Shift.objects.filter(plant=machine.line.plant).first()
    for code in ("SPLIT", "DENT", "NONE YET"):
        SpoilageCause.objects.create(plant=machine.line.plant, code=code, name=code.title())
    for i, by_cause in enumerate(({"SPLIT": 3, "DENT": 9}, {}, {"SPLIT": 4})):
        ShiftCount.objects.create(
            machine=machine, shift=shift, day=DAY + dt.timedelta(days=i), cans=100, spoiled=20, by_cause=by_cause
        )
    assert queries.cause_sums(machine, None, None) == {"": 44, "DENT": 9, "SPLIT": 7}
    assert queries.cause_sums(machine, DAY + dt.timedelta(days=2), None) == {"": 16, "SPLIT": 4}
    assert list(queries.cause_sums(machine, None, None)) == ["", "DENT", "SPLIT"]
    assert queries.cause_sums(factories.machine(), None, None) == {}


def test_events_follow_the_production_day():
    machine = factories.machine()
    person = factories.person("quality", machine.line.plant)
    plant = machine.line.plant
    night = day_begins(plant, DAY) - dt.timedelta(minutes=1)
    for at in (night, day_begins(plant, DAY)):
        Event.objects.create(machine=machine, at=at, kind=Event.Kind.JAM, by=person)
    assert [row.at for row in queries.events(machine, DAY, DAY)] == [day_begins(plant, DAY)]
    assert [row.label for row in queries.events(machine, None, None)] == ["Jam", "Jam"]


@pytest.mark.parametrize(
    ("utc", "day"),
    [
        # Berlin keeps UTC+1 in winter and UTC+2 in summer; clocks changed on 2026-03-29 at 01:00 UTC.
        ("2026-03-28 04:59", dt.date(2026, 3, 27)),
        ("2026-03-28 05:00", dt.date(2026, 3, 28)),
        ("2026-03-29 03:59", dt.date(2026, 3, 28)),
        ("2026-03-29 04:00", dt.date(2026, 3, 29)),
    ],
)
def test_the_production_day_begins_by_the_plants_wall_clock(utc, day):
    plant = factories.plant()
    at = dt.datetime.fromisoformat(utc).replace(tzinfo=dt.UTC)
    assert production_day(plant, at) == day
