"""A plant unlike the demonstration: inches, two lines of which one has one machine, a year of visits and counts.

Its machines stand in every way that a year of wear, jams, running values and plans leads to; pages must not disagree.
"""

import datetime as dt

import pytest

from linelog.alignment.models.sweep import Method
from linelog.planning.models import PlannedVisit
from linelog.plant.models import Machine
from linelog.production.models import Event
from linelog.production.weeks import monday
from linelog.trends.due.store import refit_drifts
from tests import factories
from tests.one_answer import disagreements
from tests.planning.conftest import measured
from tests.trends import invented

pytestmark = pytest.mark.django_db
CLOCK = {"name": "Second works", "timezone": "America/Chicago", "day_starts": dt.time(7, 0), "temperature_in": "F"}


@pytest.fixture
def plant(db):
    return factories.plant(**CLOCK, inch_tilt="mil/in", crew_hours_per_week=24.0)


@pytest.fixture
def lines(plant):
    return factories.line(plant, name="Front line"), factories.line(plant, name="Small line")


def year(line, by, now, name, seed, **more):
    """A machine with a year of visits of every station and of counts."""
    machine = factories.machine(line, name=name, **more)
    invented.history(machine, by, 12, until=now, every=30, seed=seed)
    invented.counts(machine, 360, until=factories.counted_today(), seed=seed)
    return machine


def ran_out(machine, now):
    """A running value of the last visit that is out at the tool pack."""
    last, pack = machine.visits.latest("opened_at"), machine.stations.get(kind="tool_pack")
    far = pack.limit_um * 1.6
    invented.store([invented.result(last, pack, "as_left", (far, 0.0), method=Method.RUNNING, seat="")])


def jammed(machine, by, now, *, days):
    Event.objects.create(machine=machine, at=now - dt.timedelta(days=days), kind=Event.Kind.JAM, by=by)


def test_no_two_pages_of_a_second_plant_say_different_things(signed_in, plant, lines, now):
    by = factories.person("manager", plant, unit="inch")
    front, small = lines
    usual = year(front, by, now, "A1", 1)
    running = year(front, by, now, "A2", 2)
    ran_out(running, now)
    worn = year(front, by, now, "A3", 3)
    for number, visit in enumerate(worn.visits.order_by("opened_at")):
        invented.clearance(visit, worn.stations.get(kind="front_bushing"), 45.0 + 5.0 * number)
    jam = year(front, by, now, "A4", 4)
    jammed(jam, by, now, days=2)
    no_ram = year(front, by, now, "A5", 5)
    Machine.objects.filter(pk=no_ram.pk).update(overhang_mm=None)
    torn = measured(front, by, now, name="A6", size=0.2, per_million=160.0)
    uncounted = factories.machine(front, name="A7")
    invented.history(uncounted, by, 2, until=now, every=200)
    untouched = factories.machine(front, name="A8")
    alone = measured(small, by, now, name="B1", size=0.9)
    planned = {"week": monday(now.date()) + dt.timedelta(days=7), "hours": 4.0, "made_at": now, "changed_at": now}
    PlannedVisit.objects.create(machine=usual, reason="Planned by hand", **planned)
    made = (usual, running, worn, jam, no_ram, torn, uncounted, untouched, alone)
    refit_drifts(plant, now)
    machines = list(Machine.objects.select_related("line__plant").filter(pk__in=[one.pk for one in made]))
    assert disagreements(signed_in(by), machines) == []
