"""A small plant with a line of machines that wander, counts, and stops in the coming weeks."""

import datetime as dt

import pytest
from django.core.cache import cache
from django.utils import timezone

from linelog.calc.wander.knowledge import FEWEST
from linelog.planning.models import StopWindow
from linelog.production import weeks as calendar
from linelog.production.days import local_day
from linelog.production.models import DayCount
from linelog.trends.due.store import refit_drifts
from linelog.web import protection
from tests import factories
from tests.trends import invented


@pytest.fixture(autouse=True)
def _what_is_signed_can_be_invented(request):
    """Take the protection out within the test's own transaction, which is rolled back after it."""
    cache.clear()
    if request.node.get_closest_marker("django_db") or "db" in request.fixturenames:
        request.getfixturevalue("db")
        protection.take_out()


@pytest.fixture
def now():
    return timezone.now()


@pytest.fixture
def plant(db):
    return factories.plant(name="Test works", crew_hours_per_week=20.0, timezone="Europe/Berlin")


@pytest.fixture
def line(plant):
    return factories.line(plant, name="Line 1")


@pytest.fixture
def client_of(signed_in, plant):
    return lambda role: signed_in(factories.person(role, plant))


@pytest.fixture
def manager(plant):
    return factories.person("manager", plant)


VISITS = FEWEST + 1


def measured(line, by, now, *, name="BM 1", size=1.0, last=20, per_million=40.0):
    """A machine of as many visits as a risk needs, its domer found off by about `size` of its limit; worked out."""
    machine = factories.machine(line, name=name)
    domer = machine.stations.get(kind="domer")
    rows = []
    for number in range(VISITS):
        visit = invented.signed_visit(machine, by, now - dt.timedelta(days=last + 20 * (VISITS - 1 - number)))
        across = size * 38.0 * (0.8 + 0.1 * (number % 5))
        rows.append(invented.result(visit, domer, "as_found", (across, 5.0), expanded_um=2.0))
        rows.append(invented.result(visit, domer, "as_left", (2.0, 1.0), expanded_um=2.0))
    invented.store(rows)
    today = timezone.localtime(now).date()
    DayCount.objects.bulk_create(
        invented.day_rows(machine, last + 20 * VISITS, until=today - dt.timedelta(days=1), per_million=per_million)
    )
    refit_drifts(line.plant, now)
    return machine


@pytest.fixture
def machine(line, manager, now):
    return measured(line, manager, now)


def stop(plant, week, *, line=None, machine=None, day=2, hour=6, hours=8, crews=1):
    """A stop in the week of a Monday, on the plant's clock."""
    starts = calendar.begins(plant, week + dt.timedelta(days=day)).replace(hour=hour)
    return StopWindow.objects.create(
        plant=plant, line=line, machine=machine, starts_at=starts, ends_at=starts + dt.timedelta(hours=hours),
        crews=crews,
    )  # fmt: skip


@pytest.fixture
def weeks(plant, now):
    """The Mondays of eight weeks, this one first."""
    return calendar.coming(local_day(plant, now), 8)
