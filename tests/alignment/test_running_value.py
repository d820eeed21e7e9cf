"""Static and running: pairs found by themselves, the value expected when running, and which one a move is for.

The droop of the template machine at its domer is known from tests of the beam; the signs here are worked out by hand:
an indicator on the hanging ram sees a component high, so running is below static by the droop.
"""

import datetime as dt
import math
import re

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from scipy import stats

from linelog.alignment.advice import Target
from linelog.alignment.models import MoveMade, Result, StationNote
from linelog.alignment.models.sweep import Method
from linelog.alignment.pairs import pairs_of
from linelog.alignment.running import knowledge_of, shift_for
from linelog.calc.droop import hang
from linelog.calc.uncertainty import Part, planar
from linelog.plant.models import Machine
from tests import factories
from tests.alignment.helpers import HTMX, address, say_which_face, type_one, type_round
from tests.alignment.invented import amend, keep, moved, pair, result, signed
from tests.alignment.signing import sign

pytestmark = pytest.mark.django_db

HIGH = {"0": "0", "90": "0.08", "180": "0.16", "270": "0.08"}  # bore: dy = +80 um, dx = 0
RUNS = Method.RUNNING
LATER = factories.NOW + dt.timedelta(days=30)


@pytest.fixture
def machine():
    return factories.machine()


@pytest.fixture
def domer(machine):
    return machine.stations.get(kind="domer")


@pytest.fixture
def job(signed_in, machine):
    mechanic = factories.person("mechanic", machine.line.plant)
    return signed_in(mechanic), factories.visit(machine, mechanic)


def differences(station):
    return [one.pair.difference_um for one in pairs_of([station]).get(station.pk, ())]


def droop_of(machine, z=650.0, nose=650.0):
    return hang(knowledge_of(machine, []).hanging.ram, [nose], [z]).deflection_um[0, 0]


# Pairs


def test_a_static_value_is_paired_with_the_running_one_that_follows_it(machine, domer):
    pair(machine, domer, 0, (1.0, 80.0), (3.0, -40.0))
    later = signed(machine, 30)
    keep(later, result(later, domer, "as_found", 4.0, 70.0), result(later, domer, "as_left", 5.0, 60.0, method=RUNS))
    assert differences(domer) == [(2.0, -120.0)]  # what was left is paired once, with what ran first


def test_a_running_value_as_found_belongs_to_what_was_left_before_it(machine, domer):
    first, second = signed(machine, 0), signed(machine, 30)
    keep(first, result(first, domer, "as_left", 0.0, 10.0))
    keep(
        second,
        result(second, domer, "as_found", 1.0, -90.0, method=RUNS, minutes=110),  # typed late, measured before
        result(second, domer, "as_left", 0.0, 50.0),
    )
    assert differences(domer) == [(1.0, -100.0)]


def test_what_was_carried_over_as_not_touched_counts_from_when_it_was_found(machine, domer):
    visit = signed(machine, 0)
    left = result(visit, domer, "as_left", 0.0, 20.0, carried=True, minutes=120)  # stored at the signature
    keep(visit, left, result(visit, domer, "as_left", 0.0, -80.0, method=RUNS, minutes=90))
    assert differences(domer) == [(0.0, -100.0)]


@pytest.mark.parametrize("what", ["domer", "front_bushing", "rear_bushing"])
def test_a_move_of_the_station_or_of_a_bushing_ends_what_was_measured_before(machine, domer, what):
    first, second = signed(machine, 0), signed(machine, 30)
    keep(first, result(first, domer, "as_left", 0.0, 10.0))
    touched = machine.stations.get(kind=what)
    keep(second, moved(second, touched), result(second, domer, "as_left", 0.0, -90.0, method=RUNS))
    assert differences(domer) == []


def test_a_move_elsewhere_does_not(machine, domer):
    first, second = signed(machine, 0), signed(machine, 30)
    keep(first, result(first, domer, "as_left", 0.0, 10.0))
    stripper = machine.stations.get(kind="stripper")
    keep(second, moved(second, stripper), result(second, domer, "as_left", 0.0, -90.0, method=RUNS))
    assert differences(domer) == [(0.0, -100.0)]


def test_amendments_are_heard(machine, domer):
    aside, mended = pair(machine, domer, 0, (0.0, 10.0), (0.0, -90.0)), pair(machine, domer, 9, (0, 10.0), (0, -90.0))
    amend(aside, domer, set_aside=True)
    amend(mended, domer, x_um=5.0, y_um=20.0)
    assert differences(domer) == [(-5.0, -110.0)]


def test_two_seats_are_taken_together_and_half_a_station_is_not(machine):
    pack = machine.stations.get(kind="tool_pack")
    pair(machine, pack, 0, (0.0, 10.0), (0.0, -2.0))
    half = signed(machine, 9)
    keep(half, result(half, pack, "as_left", 0, 0, seat="front"), result(half, pack, "as_left", 0, -5.0, method=RUNS))
    assert differences(pack) == [(0.0, -12.0)]  # of the second visit one seat says too little


def test_open_and_dropped_visits_teach_nothing(machine, domer):
    open_one = factories.visit(machine)
    result(open_one, domer, "as_left", 0, 10.0).save()
    result(open_one, domer, "as_left", 0, -90.0, method=RUNS).save()
    assert differences(domer) == []


# Expected when running


def test_with_fewer_than_three_pairs_the_beam_alone_speaks_and_only_of_up_and_down(machine, domer):
    pair(machine, domer, 0, (0.0, 80.0), (9.0, 0.0))
    pair(machine, domer, 9, (0.0, 80.0), (9.0, 0.0))
    shift = shift_for(knowledge_of(machine, [domer]), domer, "", 560.0, factories.NOW)
    assert (shift.dx_um, shift.replaces) == (0.0, False)
    assert shift.dy_um == pytest.approx(droop_of(machine), abs=1e-9)
    assert shift.dy_um < -100.0
    assert "droop alone" in shift.sentence


def test_from_three_pairs_on_it_is_their_mean_with_the_prediction_interval(machine, domer):
    drops = [-90.0, -100.0, -95.0]
    for day, drop in enumerate(drops):
        pair(machine, domer, day, (0.0, 80.0), (2.0 + day, 80.0 + drop))
    shift = shift_for(knowledge_of(machine, [domer]), domer, "", 560.0, LATER)
    n, mean = len(drops), sum(drops) / len(drops)
    sd = math.sqrt(sum((drop - mean) ** 2 for drop in drops) / (n - 1))
    value = shift.applied(planar(0.0, 80.0, (Part("static", 1.0, 1.0),)))
    assert (shift.dx_um, shift.dy_um) == pytest.approx((3.0, mean))
    # Hahn & Meeker: one further value lies within t * s * sqrt(1 + 1/n); the program's level is 95.45 %
    assert pytest.approx(stats.t.ppf(0.5 + 0.9545 / 2, n - 1) * sd * math.sqrt(1 + 1 / n)) == value.up.U


def test_the_two_seats_of_a_tool_pack_differ_as_the_ram_hangs(machine):
    pack = machine.stations.get(kind="tool_pack")
    for day in range(3):
        pair(machine, pack, day, (0.0, 30.0), (0.0, 10.0 + day))
    known = knowledge_of(machine, [pack])
    front, rear = (shift_for(known, pack, seat, 600.0, LATER).dy_um for seat in ("front", "rear"))
    assert (front + rear) / 2 == pytest.approx(-19.0, abs=3.0)
    assert front - rear == pytest.approx(droop_of(machine, 320.0, 690.0) - droop_of(machine, 140.0, 690.0), abs=1e-9)


def test_nothing_is_expected_where_neither_ram_nor_pairs_are_known(machine, domer):
    Machine.objects.filter(pk=machine.pk).update(overhang_mm=None)
    machine.refresh_from_db()
    assert shift_for(knowledge_of(machine, [domer]), domer, "", 560.0, factories.NOW) is None


# On the pages


def test_measured_and_expected_stand_side_by_side_and_what_is_stored_is_as_measured(job, machine, domer):
    client, visit = job
    response = type_round(client, visit, domer, HIGH)
    page = response.context["page"]
    droop = droop_of(machine)
    assert page.outcome.value.y == pytest.approx(80.0)
    assert page.expected.value.y == pytest.approx(80.0 + droop)
    assert page.expected.value.up.U > page.outcome.value.up.U
    assert pytest.approx(page.outcome.value.across.U, rel=0.2) == page.expected.value.across.U
    assert page.advice.target is Target.MEASURED
    text = response.content.decode()
    assert "When running" in text
    assert "This is for the value as measured" in text
    stored = Result.objects.get()
    assert (round(stored.y_um, 6), stored.verdict) == (80.0, "out")


def test_the_move_is_for_the_running_value_once_the_manager_has_said_so(job, machine, domer):
    client, visit = job
    type_round(client, visit, domer, HIGH)
    say_which_face(client, visit, domer)
    type_round(client, visit, domer, dict.fromkeys(HIGH, "0"), kind="face")
    before = client.get(address("station", visit, domer)).context["page"].advice
    Machine.objects.filter(pk=machine.pk).update(moves_for_running=True)
    response = client.get(address("station", visit, domer))
    after = response.context["page"].advice
    assert (before.target, after.target) == (Target.MEASURED, Target.RUNNING)
    lift = {advice.target: next(x.travel_um for x in advice.lines if "Lift" in x.words) for advice in (before, after)}
    assert lift[Target.MEASURED] < 0 < lift[Target.RUNNING]  # high as measured, low when running: the other way
    assert lift[Target.RUNNING] - lift[Target.MEASURED] == pytest.approx(-droop_of(machine), abs=6.0)  # screw steps
    assert after.headline.startswith("For the running value: ")
    assert "as the manager has set this machine" in response.content.decode()
    assert round(Result.objects.get().y_um, 6) == 80.0


def test_the_signed_record_says_which_value_the_move_was_for(job, machine, domer):
    client, visit = job
    Machine.objects.filter(pk=machine.pk).update(moves_for_running=True)
    type_round(client, visit, domer, HIGH)
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    assert sign(client, visit).status_code == 302
    assert StationNote.objects.get(station=domer).advised.startswith("For the running value: ")
    assert round(Result.objects.get(stage="as_left").y_um, 6) == 80.0
    page = client.get(address("visit", visit)).content.decode()
    assert "which is no part of what is signed" in page
    assert MoveMade.objects.count() == 0


def test_where_nothing_is_to_be_moved_no_page_says_for_which_value_the_move_is(job, machine, domer):
    client, visit = job
    Machine.objects.filter(pk=machine.pk).update(moves_for_running=True)
    high = f"{-np.ravel(droop_of(machine))[0] / 1000:.3f}"  # read high by the droop it runs true
    sweep = {"0": f"-{high}", "90": "0", "180": high, "270": "0"}
    said = type_round(client, visit, domer, sweep, stage="as_left").content.decode()
    assert "Leave it" in said
    assert "This is for the value as measured" not in said


def test_the_mark_of_a_face_is_how_the_station_stands_as_on_every_page(job, machine, domer):
    client, visit = job
    type_round(client, visit, domer, HIGH)
    say_which_face(client, visit, domer)
    said = type_round(client, visit, domer, {"0": "0", "90": "0.05", "180": "0.1", "270": "0.05"}, kind="face")
    mark = re.search(r"<h2>(.*?)</h2>", said.content.decode().split('id="result"')[1], re.S)[1]
    assert f'data-stands="{domer.pk}:' in mark
    assert "the face as measured <strong>out</strong>" in said.content.decode()


def test_turned_on_without_anything_known_it_stays_with_the_measured_value_and_says_so(job, machine, domer):
    client, visit = job
    Machine.objects.filter(pk=machine.pk).update(moves_for_running=True, ram_outside_mm=None)
    page = type_round(client, visit, domer, HIGH)
    assert page.context["page"].advice.target is Target.NOT_KNOWN
    assert "nothing is known of it here" in page.content.decode()
    assert page.context["page"].advice.lines


def test_without_geometry_the_screen_is_as_it_was(job, machine, domer):
    client, visit = job
    Machine.objects.filter(pk=machine.pk).update(ram_outside_mm=None)
    page = type_round(client, visit, domer, HIGH)
    assert page.context["page"].expected is None
    assert page.context["page"].advice.target is None
    assert "cannot be known" in page.content.decode()
    assert "Take a running measurement" in page.content.decode()
    assert client.get(address("visit", visit)).status_code == 200


def test_the_ram_position_typed_for_the_sweep_counts(job, machine, domer):
    client, visit = job
    type_round(client, visit, domer, HIGH)
    visit.sweeps.update(ram_position_mm=610.0)
    page = client.get(address("station", visit, domer)).context["page"]
    assert page.expected.value.y == pytest.approx(80.0 + droop_of(machine, nose=700.0))


def test_a_ram_position_that_cannot_be_leaves_the_entry_whole(job, machine, domer):
    client, visit = job
    type_round(client, visit, domer, HIGH)
    visit.sweeps.update(ram_position_mm=50_000.0)
    page = client.get(address("station", visit, domer))
    assert (page.status_code, page.context["page"].expected) == (200, None)


def queries_of_a_reading(client, visit, domer, version):
    """Ask for the second of two readings: the first finds that something changed, and reads it anew."""
    for number in range(2):
        with CaptureQueriesContext(connection) as asked:
            assert type_one(client, visit, domer, 0, f"0.0{2 - number}", version=version + number).status_code == 200
    return len(asked)


def test_a_typed_reading_asks_no_more_where_more_is_known_of_running(job, machine, domer):
    client, visit = job
    type_round(client, visit, domer, HIGH)
    Machine.objects.filter(pk=machine.pk).update(ram_outside_mm=None)
    bare = queries_of_a_reading(client, visit, domer, 1)
    for day in range(-4, 0):
        pair(machine, domer, day, (0.0, 80.0), (2.0, -10.0 + day))
    Machine.objects.filter(pk=machine.pk).update(ram_outside_mm=60.0)
    few = queries_of_a_reading(client, visit, domer, 3)
    for day in range(-60, -10):
        pair(machine, domer, day, (0.0, 80.0), (2.0, -10.0 + day % 3))
    many = queries_of_a_reading(client, visit, domer, 5)
    assert few == many <= bare
    assert len(differences(domer)) == 20


def test_a_pair_far_in_the_past_does_not_outlive_the_newest_twenty(machine, domer):
    pair(machine, domer, -100, (0.0, 0.0), (0.0, -900.0))
    for day in range(20):
        pair(machine, domer, day, (0.0, 0.0), (0.0, -100.0))
    assert {difference[1] for difference in differences(domer)} == {-100.0}
