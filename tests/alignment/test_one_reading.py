"""What one typed reading costs: worked out once, ten questions to the database at most, on either engine.

And that its answer, made from what is in hand and from what is kept, says what a page read anew says.
"""

import re
from contextlib import contextmanager

import pytest
from django.contrib.auth.hashers import make_password
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from linelog.alignment.models import MoveMade, StationNote, Sweep, Visit
from linelog.calc import sweep
from linelog.plant.models import Adjuster, LimitRule, Machine, Plant, RamSection, ShimStock, ShimThickness, Station
from tests import factories
from tests.alignment.helpers import HTMX, OUT_HIGH, address, say_which_face, type_one, type_round
from tests.alignment.invented import amend, pair

pytestmark = pytest.mark.django_db
MOST_QUESTIONS = 10
BEGINS_OR_ENDS = ("BEGIN", "COMMIT", "SAVEPOINT", "RELEASE")


@pytest.fixture
def machine():
    return factories.machine()


@pytest.fixture
def job(signed_in, machine):
    mechanic = factories.person("mechanic", machine.line.plant)
    return signed_in(mechanic), factories.visit(machine, mechanic, opened_at=timezone.now())


@contextmanager
def questions():
    """Collect the statements that are sent; a transaction's beginning and end are none."""
    found = []
    with CaptureQueriesContext(connection) as asked:
        yield found
    found += [one["sql"] for one in asked if not one["sql"].startswith(BEGINS_OR_ENDS)]


def asked_by(client, visit, station, version, *, angle=0, **place):
    with questions() as found:
        answer = type_one(
            client, visit, station, angle, f"0.{50 + version}", version=version, key=f"k{version}", **place
        )
    assert answer.status_code == 200
    return found


class TestQuestions:
    def test_a_reading_of_a_sweep_that_ends_in_a_move(self, job, machine):
        client, visit = job
        domer = machine.stations.get(kind="domer")
        answer = type_round(client, visit, domer, OUT_HIGH)
        assert answer.context["page"].advice.lines
        found = asked_by(client, visit, domer, 1, angle=180)
        assert len(found) <= MOST_QUESTIONS, "\n".join(found)

    @pytest.mark.parametrize("typed", [1, 2, 3])
    def test_a_reading_in_the_middle_of_a_sweep(self, job, machine, typed):
        client, visit = job
        domer = machine.stations.get(kind="domer")
        type_round(client, visit, domer, dict(list(OUT_HIGH.items())[:typed]))
        assert len(asked_by(client, visit, domer, 1)) <= MOST_QUESTIONS

    def test_a_reading_of_two_seats_with_shims_in_stock_and_moves_made_before(self, job, machine):
        client, visit = job
        pack = machine.stations.get(kind="tool_pack")
        earlier = factories.visit(machine, opened_at=factories.NOW)
        for row in pack.adjusters.all():
            facts = {"adjuster": row, "travel_um": 10.0, "typed": "0.01", "unit": "mm", "at": factories.NOW}
            MoveMade.objects.create(visit=earlier, station=pack, by=earlier.opened_by, **facts)
        for seat in ("front", "rear"):
            answer = type_round(client, visit, pack, OUT_HIGH, seat=seat, stage="as_found")
        assert answer.context["page"].advice.lines
        found = asked_by(client, visit, pack, 1, angle=180, seat="rear")
        assert len(found) <= MOST_QUESTIONS, "\n".join(found)

    def test_a_reading_on_a_shared_tablet(self, client, machine):
        plant = machine.line.plant
        device = factories.person("mechanic", plant, username="tablet")
        person = factories.person("mechanic", plant, pin_hash=make_password("7294"))
        client.post("/sign-in/", {"username": "tablet", "password": factories.PASSWORD, "shared": "on"})
        client.post(f"/tablet/{person.pk}/", {"pin": "7294"})
        visit = factories.visit(machine, device, opened_at=timezone.now())
        domer = machine.stations.get(kind="domer")
        own = {**HTMX, "x-person": f"{person.pk}"}
        for angle, value in OUT_HIGH.items():
            assert type_one(client, visit, domer, angle, value, headers=own).status_code == 200
        with questions() as found:
            answer = type_one(client, visit, domer, 180, "0.13", version=1, key="k", headers=own)
        assert answer.context["page"].advice.lines
        assert len(found) <= MOST_QUESTIONS, "\n".join(found)


def test_a_reading_is_worked_out_once(job, machine, monkeypatch):
    client, visit = job
    domer = machine.stations.get(kind="domer")
    type_round(client, visit, domer, OUT_HIGH)
    times, work = [], sweep.reduce_sweep
    monkeypatch.setattr(sweep, "reduce_sweep", lambda *given, **more: times.append(given) or work(*given, **more))
    answer = type_one(client, visit, domer, 180, "0.13", version=1, key="once")
    assert answer.status_code == 200
    assert "0.065" in answer.content.decode()  # half of what 6 reads above 12: it is the new one that was worked out
    assert len(times) == 1


def test_sent_again_under_its_key_it_is_answered_as_it_stands_by_then(job, machine):
    client, visit = job
    domer = machine.stations.get(kind="domer")
    type_round(client, visit, domer, OUT_HIGH)
    first = type_one(client, visit, domer, 180, "0.13", version=1, key="once")
    type_one(client, visit, domer, 90, "0.06", version=1)
    again = type_one(client, visit, domer, 180, "0.13", version=1, key="once")
    assert (again.status_code, again["X-Version"]) == (200, first["X-Version"])
    assert shown(again) == shown(client.get(address("station", visit, domer)))
    other = type_one(client, visit, domer, 180, "0.14", version=2, key="once")
    assert (other.status_code, "already sent with other content" in other.content.decode()) == (422, True)


def shown(answer):
    """What an answer shows of the result, the headline and the offer; tokens, and marks of fragments, left out."""
    page = re.sub(r'name="csrfmiddlewaretoken" value="[^"]*"| hx-swap-oob="true"', "", answer.content.decode())
    parts = (r'<section id="result".*?</section>', r'<p id="headline".*?</p>', r'<div id="offer".*?</div>')
    return [re.sub(r"\s+", " ", re.search(part, page, re.S)[0]) for part in parts]


def ram(machine):
    Machine.objects.filter(pk=machine.pk).update(overhang_mm=700.0)


def section(machine):
    tube = {"outside_mm": 60.0, "bore_mm": 20.0, "density_kg_per_m3": 7850.0, "modulus_gpa": 205.0}
    RamSection.objects.create(machine=machine, order=1, length_mm=2000.0, **tube)
    Machine.objects.filter(pk=machine.pk).update(version=machine.version + 1)


def for_running(machine):
    Machine.objects.filter(pk=machine.pk).update(moves_for_running=True)


def limit(machine):
    Station.objects.filter(machine=machine).update(limit_um=190.0)


def plant_setting(machine):
    Plant.objects.filter(pk=machine.line.plant_id).update(closure_limit_um=0.5, return_limit_um=0.5)


def rule(machine):
    plant, day = machine.line.plant, factories.NOW.date()
    for kind in ("domer", "tool_pack"):
        LimitRule.objects.create(plant=plant, kind=kind, limit_um=5.0, from_on=day)


def pairs(machine):
    for station in machine.stations.filter(kind__in=("domer", "tool_pack")):
        for day in range(-9, -4):
            pair(machine, station, day, (0.0, 80.0), (2.0, -10.0 + day))


def one_run(machine):
    ram_lost(machine)
    for station in machine.stations.filter(kind__in=("domer", "tool_pack")):
        pair(machine, station, -3, (0.0, 80.0), (2.0, 300.0))


def ram_lost(machine):
    Machine.objects.filter(pk=machine.pk).update(ram_outside_mm=None)


def set_aside(machine):
    pairs(machine)
    for visit in Visit.objects.filter(machine=machine, state="signed"):
        for station in machine.stations.filter(kind__in=("domer", "tool_pack")):
            amend(visit, station, set_aside=True)


def no_shims(machine):
    ShimThickness.objects.filter(stock__plant=machine.line.plant).update(pieces=0)


def other_stock(machine):
    stock = ShimStock.objects.create(plant=machine.line.plant, name="Thick")
    ShimThickness.objects.create(stock=stock, thickness_um=1000.0)
    Adjuster.objects.filter(station__machine=machine, kind="shim").update(stock=stock)


def travel_used_up(machine):
    visit = factories.visit(machine, opened_at=factories.NOW)
    for row in Adjuster.objects.filter(station__machine=machine):
        facts = {"adjuster": row, "travel_um": row.min_um, "typed": "x", "unit": "mm", "at": factories.NOW}
        MoveMade.objects.create(visit=visit, station=row.station, by=visit.opened_by, **facts)


def travel_given_back(machine):
    travel_used_up(machine)
    visit = Visit.objects.filter(machine=machine).earliest("opened_at")
    Visit.objects.filter(pk=visit.pk).update(state="dropped", dropped_why="by mistake")


CHANGES = (
    *(ram, section, for_running, limit, plant_setting, rule, pairs, one_run, ram_lost, set_aside),
    *(no_shims, other_stock, travel_used_up, travel_given_back),
)


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
@pytest.mark.parametrize("kind", ["domer", "tool_pack"])
def test_what_is_kept_between_readings_never_outlives_a_change(job, machine, kind, change):
    client, visit = job
    station = machine.stations.get(kind=kind)
    seats = [{"seat": seat, "stage": "as_found"} for seat in station.seats]
    for place in seats:
        type_round(client, visit, station, OUT_HIGH, **place)
    before = shown(type_one(client, visit, station, 180, "0.13", version=1, **seats[-1]))
    assert before == shown(client.get(address("station", visit, station, **seats[-1])))
    change(machine)
    after = shown(type_one(client, visit, station, 180, "0.12", version=2, **seats[-1]))
    assert after == shown(client.get(address("station", visit, station, **seats[-1])))
    again = shown(type_one(client, visit, station, 180, "0.13", version=3, **seats[-1]))
    assert again == shown(client.get(address("station", visit, station, **seats[-1])))


def in_other_units(client, visit, station):
    visit.opened_by.unit = "inch"
    visit.opened_by.save()


def with_a_face(client, visit, station):
    Station.objects.filter(pk=station.pk).update(face_radius_mm=60.0, tilt_limit_mm_per_m=0.2)
    say_which_face(client, visit, station)
    type_round(client, visit, station, {"0": "0.01", "90": "0.02", "180": "0.04", "270": "0.03"}, kind="face")


def to_be_read_again(client, visit, station):
    type_one(client, visit, station, 90, "0.12", version=1)


def said_not_touched(client, visit, station):
    client.post(address("untouched", visit, station), {"not_touched": "1"}, headers=HTMX)
    assert StationNote.objects.filter(visit=visit, not_touched=True).exists()


def moved_and_swept_again(client, visit, station):
    form = {"words": "one turn", "unit": "mm"}
    assert client.post(address("move", visit, station), form, headers=HTMX).status_code == 200


def ran(client, visit, station):
    facts = {"stage": "as_found", "across": "0.02", "up": "0.05", "uncertainty": "0.004", "strokes": "200"}
    client.post(address("running", visit, station), facts, headers=HTMX)


def from_a_bar(client, visit, station):
    Sweep.objects.filter(visit=visit, station=station).update(carrier="bar", sag_um=4.0)


SITUATIONS = (in_other_units, with_a_face, to_be_read_again, said_not_touched, moved_and_swept_again, ran, from_a_bar)


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda situation: situation.__name__)
def test_the_answer_says_what_the_page_says(job, machine, situation):
    client, visit = job
    domer = machine.stations.get(kind="domer")
    type_round(client, visit, domer, OUT_HIGH)
    situation(client, visit, domer)
    for stage in ("as_found", "as_left"):
        where = {"stage": stage}
        version = 1 if stage == "as_found" else 0
        for angle, value in {"180": "0.13", "270": "0.08"}.items():
            unit = {"unit": "mm", "as_found": "1"}  # asked about after a move: it is as found
            answer = type_one(client, visit, domer, angle, value, version=version, **where, **unit)
            assert answer.status_code == 200
            assert shown(answer) == shown(client.get(address("station", visit, domer, **where)))
    emptied = type_one(client, visit, domer, 270, "", version=2, stage="as_found")
    assert shown(emptied) == shown(client.get(address("station", visit, domer, stage="as_found")))
