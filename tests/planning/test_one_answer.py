"""How a station stands is said alike on every page: machines of the factory, one for each way to stand."""

import pytest
from django.urls import reverse

from linelog.alignment.models.sweep import Method
from linelog.alignment.results.now import machine_statuses
from linelog.calc.station_state import State
from linelog.plant.models import Machine
from tests import factories
from tests.alignment.invented import keep, pair, result, signed
from tests.one_answer import disagreements, told

pytestmark = pytest.mark.django_db
ALONG = ("redraw_sleeve", "cup_locator", "tool_pack", "stripper", "domer")
LATER = factories.NOW.replace(day=28)


@pytest.fixture(autouse=True)
def _now(monkeypatch):
    monkeypatch.setattr("django.utils.timezone.now", lambda: LATER)


@pytest.fixture
def plant():
    return factories.plant()


@pytest.fixture
def client(signed_in, plant):
    return signed_in(factories.person("manager", plant))


def judged(visit, station, *args, verdict="in", **more):
    row = result(visit, station, *args, **more)
    row.verdict = verdict
    return row


def left(machine, domer=(0.0, 0.0), *, verdict="in", day=0.0, ran=None, u=1.0):
    """A signed visit that leaves all stations true but the domer, and may see that running."""
    visit, rows = signed(machine, day), []
    for station in machine.stations.filter(kind__in=ALONG):
        is_domer = station.kind == "domer"
        for seat in station.seats:
            at = domer if is_domer else (0.0, 0.0)
            rows.append(judged(visit, station, "as_left", *at, seat=seat, verdict=verdict if is_domer else "in", u=u))
        if is_domer and ran is not None:
            out = "out" if abs(ran[1]) > station.limit_um + 6.0 else "in"
            rows.append(judged(visit, station, "as_left", *ran, method=Method.RUNNING, u=3.0, verdict=out))
    return keep(visit, *rows)


def state(machine, kind="domer"):
    return next(one.state for one in machine_statuses(machine, LATER) if one.station.kind == kind)


def machine_of(plant, **more):
    return factories.machine(factories.line(plant), **more)


def test_every_way_to_stand_is_said_alike_everywhere(client, plant):
    hanging = machine_of(plant)  # true at rest; its ram hangs by more than the limit at the domer
    left(hanging)
    doubtful = machine_of(plant, clearance_within_um=150.0)  # the same, with a clearance that is hardly known
    left(doubtful)
    ran_out, ran_in, unknown, nowhere = (machine_of(plant) for _ in range(4))
    left(ran_out, ran=(0.0, -90.0))
    left(ran_in, ran=(0.0, -5.0))
    Machine.objects.filter(pk=unknown.pk).update(overhang_mm=None)
    left(unknown, (0.0, 90.0), verdict="out")
    at_target, learned = machine_of(plant, moves_for_running=True), machine_of(plant)
    left(at_target, (0.0, 163.0), verdict="out")
    for day in range(4):
        pair(learned, learned.stations.get(kind="domer"), 20 * day - 90, (0.0, 60.0 + day % 2), (0.0, 1.0))
    left(learned, (0.0, 0.0), day=1)
    machines = [
        Machine.objects.select_related("line__plant").get(pk=one.pk)
        for one in (hanging, doubtful, ran_out, ran_in, unknown, nowhere, at_target, learned)
    ]
    assert state(hanging) is State.OUT_RUNNING
    assert state(doubtful) is State.PROBABLY_OUT
    assert state(ran_out) is State.OUT_RUNNING
    assert state(ran_in) is State.IN
    assert state(unknown) is State.OUT
    assert state(nowhere) is State.NOT_MEASURED
    assert state(learned) is State.OUT_RUNNING
    assert disagreements(client, machines) == []


def test_probably_out_makes_a_running_measurement_due_and_opens_nothing(client, plant):
    machine = machine_of(plant, clearance_within_um=150.0)
    left(machine)
    page = client.get(reverse("planning:machine", args=[machine.pk]))
    outlook = page.context["outlook"]
    assert outlook.due.words.startswith("running measurement due: Domer")
    assert outlook.opens == ()
    assert outlook.hours == plant.visit_base_hours
    assert "nothing is to be opened for that" in page.content.decode()


def test_a_running_value_that_is_out_holds_until_something_is_moved(plant):
    machine = machine_of(plant)
    Machine.objects.filter(pk=machine.pk).update(overhang_mm=None)
    left(machine, ran=(0.0, -90.0))
    left(machine, day=3)  # in again at rest, and nothing known of it running but that value
    assert state(Machine.objects.get(pk=machine.pk)) is State.OUT_RUNNING


def test_the_front_page_names_what_is_out_when_running_first(client, plant):
    machine = machine_of(plant)
    left(machine)
    said, text = told(client, "trends:fleet")
    assert (machine.stations.get(kind="domer").pk, State.OUT_RUNNING) in said
    assert "Align it: open " in text
