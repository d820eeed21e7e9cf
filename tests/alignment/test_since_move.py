"""A second move as left: what was swept before it is kept, and counts for nothing once it is swept anew."""

import html
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment import visit_sheet
from linelog.alignment.models import MoveMade, Reading, Result
from linelog.calc.units import Unit
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, seen, type_one, type_round

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in):
    """A domer moved once and swept as left: still 0.061 mm off."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    client, domer = signed_in(mechanic), machine.stations.get(kind="domer")
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    type_round(client, visit, domer, OUT_HIGH)
    move(client, visit, domer)
    type_round(client, visit, domer, OUT_HIGH, stage="as_left")
    return client, visit, domer


def move(client, visit, domer):
    answer = client.post(address("move", visit, domer, stage="as_left"), {"words": "one turn"}, headers=HTMX)
    assert answer.status_code == 200
    return html.unescape(answer.content.decode())


def left():
    return Result.objects.get(stage="as_left", method="static")


def page_of(client, visit, domer, **place):
    return html.unescape(client.get(address("station", visit, domer, stage="as_left", **place)).content.decode())


def test_a_sweep_after_a_second_move_is_a_new_one_and_no_repeat_of_the_one_before_it(job):
    # OUT_HIGH is dx = 10, dy = 60 um; averaged with a centred sweep it would read half of that, and scatter.
    client, visit, domer = job
    before = left()
    said = move(client, visit, domer)
    assert "Moves were logged since this sweep." in said
    (anew,) = set(re.findall(r'href="([^"]+)">Sweep it anew as left', said))
    assert "repeat=2" in anew
    assert left().radial_um == before.radial_um, "kept, with what it came to, until it is swept anew"
    type_one(client, visit, domer, 0, "0.01", stage="as_left", repeat=2)
    assert not Result.objects.filter(stage="as_left").exists(), "one reading says nothing yet, the old ones no more"
    type_round(client, visit, domer, {"90": "0.01", "180": "0.01", "270": "0.01"}, stage="as_left", repeat=2)
    assert (left().radial_um, left().readings, left().withheld) == (pytest.approx(0.0, abs=1e-9), 4, False)
    assert Reading.objects.filter(sweep__stage="as_left").count() == 8
    page = page_of(client, visit, domer, repeat=2)
    assert "kept and not counted: repeat 1." in page
    assert "1, before the move" in page
    assert "Moves were logged since" not in page
    (told,) = [
        one for one in visit_sheet.content(visit, Unit.MM, timezone.now())["stations"] if one["name"] == "Domer"
    ]
    assert "Repeat 1 is from before the last move" in told["sweeps"][-1]["set_up"]


def test_a_move_taken_back_makes_what_was_before_it_count_again(job):
    client, visit, domer = job
    move(client, visit, domer)
    type_round(client, visit, domer, CENTRED, stage="as_left", repeat=2)
    last = MoveMade.objects.order_by("pk").last()
    url = reverse("alignment:move_back", args=[visit.pk, domer.pk, last.pk])
    assert client.post(url, headers=HTMX).status_code == 200
    assert left().readings == 8
    assert left().y_um == pytest.approx(30.0)


def test_a_second_move_is_offered_and_logged_with_one_button_as_the_first(job):
    client, visit, domer = job
    answer = client.get(address("station", visit, domer, stage="as_left"))
    assert 'class="offered"' in answer.content.decode()
    done = client.post(address("advised", visit, domer, stage="as_left"), seen("advised", answer), headers=HTMX)
    assert done.status_code == 200
    assert MoveMade.objects.filter(typed__startswith="as offered").exists()
    assert 'class="offered"' not in done.content.decode(), "not twice: it is swept first"


def test_seats_are_one_body_and_a_face_is_asked_for_by_itself(job):
    client, visit, _ = job
    pack = visit.machine.stations.get(kind="tool_pack")
    for seat in pack.seats:
        type_round(client, visit, pack, CENTRED, seat=seat)
        type_round(client, visit, pack, CENTRED, stage="as_left", seat=seat)
    client.post(address("move", visit, pack), {"words": "shimmed"}, headers=HTMX)
    type_round(client, visit, pack, CENTRED, stage="as_left", seat=pack.seats[0], repeat=2)
    rows = Result.objects.filter(station=pack, stage="as_left")
    assert [row.seat for row in rows] == [pack.seats[0]], "the other seat was moved along: its sweep is of before"


def test_a_reading_typed_as_found_after_a_move_is_asked_about_once_with_its_two_answers(job):
    client, visit, domer = job
    before = Reading.objects.get(sweep__stage="as_found", angle_deg=90)
    asked = type_one(client, visit, domer, 90, "0", version=before.version)
    said = html.unescape(asked.content.decode())
    assert asked.status_code == 422
    line = said[said.index('id="said-slot-1-90-0"') :]
    assert re.search(r"Moves were logged since \(\d\d:\d\d\): is this as left\?", line)
    (to,) = re.findall(r'href="([^"]+)" data-let-go="slot-1-90-0">Yes: sweep it as left', line)
    assert "stage=as_left" in to
    (form,) = [
        one for one in re.findall(r'<form class="answer".*?</form>', line, re.S) if "No: it is as found" in one
    ]
    before.refresh_from_db()
    assert before.value_um == 50.0, "nothing is stored unseen"
    sent = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
    sent.pop("csrfmiddlewaretoken", None)
    assert client.post(address("reading", visit, domer), sent, headers=HTMX).status_code == 200
    before.refresh_from_db()
    assert before.value_um == 0.0
    assert type_one(client, visit, domer, 180, "0.02", version=1).status_code == 200, "asked once a sweep"


def test_what_is_the_same_or_was_typed_on_a_tablet_before_the_move_is_not_asked_about(job):
    client, visit, domer = job
    assert type_one(client, visit, domer, 90, "0.05", version=1).status_code == 200
    assert type_one(client, visit, domer, 90, "0.04", version=1).status_code == 422
    late = {"x-age": "60"}  # seconds ago, and the move was logged in this one
    assert type_one(client, visit, domer, 90, "0.04", version=1, headers=late).status_code == 200
