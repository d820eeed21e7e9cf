"""A station is not in before all of it was swept: both seats of two, and the face of one that was tilted."""

import datetime as dt
import html
import re

import pytest

from linelog.alignment.models import MoveMade, Reading
from linelog.alignment.results.now import machine_statuses
from linelog.alignment.results.of_visit import visit_statuses
from linelog.alignment.visit_sheet import content
from linelog.calc.station_state import Next, State
from linelog.calc.units import Unit
from tests import factories
from tests.alignment.helpers import HTMX, address, say_which_face, type_round
from tests.alignment.signing import sign

pytestmark = pytest.mark.django_db
ON_IT = dict.fromkeys(("0", "90", "180", "270"), "0")


@pytest.fixture
def machine(no_ram):
    return factories.machine()


@pytest.fixture
def job(signed_in, machine):
    mechanic = factories.person("mechanic", machine.line.plant)
    return signed_in(mechanic), factories.visit(machine, mechanic)


def shown(client, visit, station, **more):
    return html.unescape(client.get(address("station", visit, station, **more)).content.decode())


def state_of(visit, station, stage):
    return visit_statuses(visit, [station], factories.NOW + dt.timedelta(hours=9))[station.pk, stage].state


def test_one_seat_of_two_is_never_in_and_may_be_out(job, machine):
    client, visit = job
    pack = machine.stations.get(kind="tool_pack")
    type_round(client, visit, pack, ON_IT, seat="rear")
    assert state_of(visit, pack, "as_found") is State.NOT_ALL
    text = shown(client, visit, pack, seat="rear")
    assert "not all swept" in text
    assert "the front seat is still to be read" in text
    assert "read the front seat first" in text
    type_round(client, visit, pack, ON_IT, seat="front")
    assert state_of(visit, pack, "as_found") is State.IN
    type_round(client, visit, pack, {"0": "0", "90": "0.2", "180": "0.4", "270": "0.2"}, seat="rear", stage="as_left")
    assert state_of(visit, pack, "as_left") is State.OUT


def test_after_a_tilt_the_face_is_swept_before_it_is_in(job, machine):
    client, visit = job
    domer = machine.stations.get(kind="domer")
    shim = domer.adjusters.filter(along_z=True).first()
    at = visit.opened_at + dt.timedelta(minutes=1)
    MoveMade.objects.create(visit=visit, station=domer, adjuster=shim, travel_um=30, unit="mm", typed="0.03",
                            words="put in", by=visit.opened_by, at=at)  # fmt: skip
    left = {"stage": "as_left"}
    type_round(client, visit, domer, ON_IT, **left)
    assert state_of(visit, domer, "as_left") is State.NOT_ALL
    text = shown(client, visit, domer, **left)
    assert "its face was not swept after that" in text
    assert "sweep the face first" in text
    assert "Leave it" not in text
    say_which_face(client, visit, domer, **left)
    type_round(client, visit, domer, ON_IT, kind="face", **left)
    assert state_of(visit, domer, "as_left") is not State.NOT_ALL
    assert "sweep the face first" not in shown(client, visit, domer, **left)


def test_the_machine_s_own_page_says_the_same_of_a_signed_visit(job, machine):
    client, visit = job
    pack = machine.stations.get(kind="tool_pack")
    type_round(client, visit, pack, ON_IT, seat="rear")
    type_round(client, visit, pack, ON_IT, seat="rear", stage="as_left")
    assert sign(client, visit).status_code == 302
    now = next(one for one in machine_statuses(machine, factories.NOW + dt.timedelta(days=1)) if one.station == pack)
    assert (now.state, now.then) == (State.NOT_ALL, Next.MEASURE)


def log(visit, station, minutes, **more):
    at = visit.opened_at + dt.timedelta(minutes=minutes)
    return MoveMade.objects.create(
        visit=visit, station=station, unit="mm", words="slid", by=visit.opened_by, at=at, **more
    )


def test_a_move_after_the_sweep_as_left_leaves_it_to_be_swept(job, machine):
    """Also on the signed page: a station that was moved is never in by a sweep from before the move."""
    client, visit = job
    stripper = machine.stations.get(kind="stripper")
    type_round(client, visit, stripper, ON_IT)
    type_round(client, visit, stripper, ON_IT, stage="as_left")
    assert state_of(visit, stripper, "as_left") is State.IN
    log(visit, stripper, 60 * 24 * 365 * 20)
    assert state_of(visit, stripper, "as_left") is State.NOT_ALL
    text = shown(client, visit, stripper, stage="as_left")
    assert "Not swept since its last move." in text
    assert "sweep it as left" in text
    page = html.unescape(client.get(address("visit", visit)).content.decode())
    assert "not all swept" in page
    assert sign(client, visit).status_code == 302
    assert state_of(visit, stripper, "as_left") is State.NOT_ALL
    assert "not all swept" in str(content(visit, Unit.MM, factories.NOW))


def test_the_other_seat_and_the_face_are_swept_anew_at_a_repeat_of_their_own(job, machine):
    client, visit = job
    pack = machine.stations.get(kind="tool_pack")
    for seat in ("rear", "front"):
        type_round(client, visit, pack, ON_IT, seat=seat, stage="as_left")
    Reading.objects.update(at=visit.opened_at)
    log(visit, pack, 1)
    type_round(client, visit, pack, ON_IT, seat="rear", stage="as_left", repeat=2)
    text = shown(client, visit, pack, seat="rear", stage="as_left", repeat=2)
    front = next(link for link in re.findall(r'href="([^"]+)"', text) if "seat=front" in link and "as_left" in link)
    assert "repeat=2" in front


def test_a_sweep_with_a_position_left_out_is_not_called_in(job, machine):
    client, visit = job
    stripper = machine.stations.get(kind="stripper")
    type_round(client, visit, stripper, dict.fromkeys(("0", "90", "180"), "0"))
    text = shown(client, visit, stripper)
    assert "some positions are still to be read" in text
    type_round(client, visit, stripper, {"270": "0"})
    assert "some positions are still to be read" not in shown(client, visit, stripper)


def test_a_running_value_as_found_does_not_hold_up_a_signature_after_a_move(job, machine):
    client, visit = job
    stripper = machine.stations.get(kind="stripper")
    run = {"stage": "as_found", "x": "0.05", "y": "-0.12", "expanded": "0.004", "strokes": "200", "unit": "mm"}
    assert client.post(address("running", visit, stripper), run, headers=HTMX).status_code == 200
    log(visit, stripper, 0)
    type_round(client, visit, stripper, ON_IT, stage="as_left")
    assert sign(client, visit).status_code == 302


def test_what_was_out_as_left_and_was_moved_since_is_to_be_swept_and_no_more_out(job, machine):
    client, visit = job
    cup = machine.stations.get(kind="cup_locator")
    type_round(client, visit, cup, {"0": "0", "90": "0.2", "180": "0.4", "270": "0.2"}, stage="as_left")
    assert state_of(visit, cup, "as_left") is State.OUT
    last = Reading.objects.latest("at")
    MoveMade.objects.create(
        visit=visit, station=cup, unit="mm", words="moved", by=visit.opened_by, at=last.at + dt.timedelta(minutes=1)
    )
    assert state_of(visit, cup, "as_left") is State.NOT_ALL
    sheet = str(content(visit, Unit.MM, factories.NOW + dt.timedelta(hours=9)))
    assert "Not swept since its last move." in sheet
    assert "'verdict': 'out'" not in sheet


def test_a_position_left_out_keeps_a_station_from_in_on_every_page(job, machine):
    client, visit = job
    cup = machine.stations.get(kind="cup_locator")
    type_round(client, visit, cup, {"0": "0", "90": "0", "180": "0"})
    assert state_of(visit, cup, "as_found") is State.NOT_ALL
    assert "some positions are still to be read" in str(content(visit, Unit.MM, factories.NOW))
    type_round(client, visit, cup, {"270": "0"})
    assert state_of(visit, cup, "as_found") is State.IN
