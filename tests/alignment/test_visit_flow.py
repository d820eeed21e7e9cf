"""The main job through the program's own addresses: open, sweep, move, sweep again, sign, amend."""

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import MoveMade, Result, StationNote, Visit
from linelog.web.models import AuditEvent
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, seen, type_round
from tests.alignment.signing import sign

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in):
    """A mechanic with an open visit, and the domer of its machine."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    return signed_in(mechanic), visit, machine.stations.get(kind="domer"), mechanic


def test_four_readings_give_offset_verdict_and_move(job):
    client, visit, domer, _ = job
    response = type_round(client, visit, domer, OUT_HIGH, stage="as_found")
    # dy = (R6 - R12)/2 and dx = (R9 - R3)/2 for a bore: the closed form of the four-point sweep, common practice.
    result = Result.objects.get(visit=visit, station=domer)
    assert result.y_um == pytest.approx(60.0)
    assert result.x_um == pytest.approx(10.0)
    assert result.verdict == "out"
    said = response.content.decode()
    assert "Lift screw" in said
    assert "+0.060" in said


def test_the_whole_visit_from_opening_to_signature(job):
    client, visit, domer, mechanic = job
    answer = type_round(client, visit, domer, OUT_HIGH, stage="as_found")
    offered = seen("advised", answer)
    assert client.post(address("advised", visit, domer, stage="as_found"), offered, headers=HTMX).status_code == 200
    assert MoveMade.objects.filter(visit=visit).count() == 2
    refused = client.post(address("sign", visit))
    assert refused.status_code == 422
    assert "It was moved: sweep it again as left." in refused.content.decode()
    type_round(client, visit, domer, CENTRED, stage="as_left")
    assert sign(client, visit).status_code == 302
    visit.refresh_from_db()
    assert (visit.state, visit.signed_by) == (Visit.State.SIGNED, mechanic)
    assert Result.objects.get(visit=visit, stage="as_left").verdict == "in"
    assert "Lift screw" in StationNote.objects.get(visit=visit, station=domer).advised
    assert AuditEvent.objects.filter(action="signed visit", object_id=str(visit.pk)).exists()


def test_a_station_left_alone_must_be_said_so_and_is_carried_over(job):
    client, visit, domer, _ = job
    type_round(client, visit, domer, CENTRED, stage="as_found")
    refused = client.post(address("sign", visit))
    assert refused.status_code == 422
    assert "or say that it was not touched" in refused.content.decode()
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    assert sign(client, visit).status_code == 302
    left = Result.objects.get(visit=visit, station=domer, stage="as_left")
    found = Result.objects.get(visit=visit, station=domer, stage="as_found")
    assert left.carried
    assert (left.x_um, left.y_um, left.verdict) == (found.x_um, found.y_um, found.verdict)


def test_a_signed_visit_takes_no_reading_and_keeps_its_own(job):
    client, visit, domer, _ = job
    type_round(client, visit, domer, CENTRED, stage="as_found")
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    sign(client, visit)
    before = list(Result.objects.filter(visit=visit).order_by("pk").values())
    for name, data in {
        "reading": {"repeat": 1, "angle_deg": 0, "value": "0.9", "version": 1},
        "move": {"words": "hit it"},
        "untouched": {"not_touched": "0"},
        "note": {"note": "later thought", "version": 0},
        "accept": {},
    }.items():
        response = client.post(address(name, visit, domer, stage="as_found"), data, headers=HTMX)
        assert response.status_code == 422, name
        assert "signed" in response.content.decode(), name
    assert list(Result.objects.filter(visit=visit).order_by("pk").values()) == before


def test_an_amendment_stands_beside_the_signed_value(job):
    client, visit, domer, _ = job
    type_round(client, visit, domer, CENTRED, stage="as_found")
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    sign(client, visit)
    result = Result.objects.get(visit=visit, stage="as_found")
    form = {"reason": "the dial was loose", "about": result.pk, "x": "0,020", "y": "-0.010", "view": "crank"}
    assert client.post(address("amend", visit), form).status_code == 302
    amendment = visit.amendments.get()
    assert (amendment.x_um, amendment.y_um) == (20.0, -10.0)
    page = client.get(address("visit", visit)).content.decode()
    assert "the dial was loose" in page
    assert Result.objects.get(pk=result.pk).x_um == result.x_um


def test_an_amendment_without_a_reason_or_with_half_a_value_is_refused(job):
    client, visit, domer, _ = job
    type_round(client, visit, domer, CENTRED, stage="as_found")
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    sign(client, visit)
    result = Result.objects.get(visit=visit, stage="as_found")
    for form, sentence in (
        ({"reason": "", "about": ""}, "This field is required"),
        ({"reason": "why", "about": result.pk, "x": "0.02"}, "Give both across and up"),
        ({"reason": "why", "about": "", "x": "0.02", "y": "0.01", "view": "domer"}, "Which value is meant?"),
        ({"reason": "why", "about": result.pk, "x": "0.02", "y": "0.01"}, "From which end is right told?"),
    ):
        response = client.post(address("amend", visit), form)
        assert response.status_code == 422
        assert sentence in response.content.decode()
    assert not visit.amendments.exists()


def test_an_open_visit_is_not_amended(job):
    client, visit, _, _ = job
    response = client.post(address("amend", visit), {"reason": "too early", "about": ""})
    assert response.status_code == 422
    assert "an open one can simply be corrected" in response.content.decode()


def test_a_machine_has_one_open_visit_and_the_second_person_joins_it(job, client):
    _, visit, _, _ = job
    second = factories.person("mechanic", visit.machine.line.plant)
    client.force_login(second)
    form = {"reason": "routine", "machine_state": "stopped"}
    response = client.post(reverse("alignment:open", args=[visit.machine_id]), form)
    assert response.status_code == 302
    assert response.url == address("visit", visit)
    assert Visit.objects.count() == 1


def test_a_visit_is_dropped_for_a_reason_only(job):
    client, visit, _, _ = job
    assert client.post(address("drop", visit), {"why": " "}).status_code == 422
    assert client.post(address("drop", visit), {"why": "wrong machine"}).status_code == 302
    visit.refresh_from_db()
    assert (visit.state, visit.dropped_why) == (Visit.State.DROPPED, "wrong machine")


def test_nothing_measured_is_nothing_to_sign(job):
    client, visit, _, _ = job
    response = client.post(address("sign", visit))
    assert response.status_code == 422
    assert "Nothing was measured" in response.content.decode()


def test_a_viewer_reads_a_visit_but_writes_nothing(job, client):
    _, visit, domer, _ = job
    client.force_login(factories.person("viewer", visit.machine.line.plant))
    assert client.get(address("visit", visit)).status_code == 200
    assert client.get(address("station", visit, domer)).status_code == 200
    response = client.post(
        address("reading", visit, domer), {"repeat": 1, "angle_deg": 0, "value": "1", "version": 0}
    )
    assert response.status_code == 403


def test_a_visit_of_another_plant_is_not_there(job, client):
    _, visit, domer, _ = job
    client.force_login(factories.person("manager"))
    for name, station in (("visit", None), ("station", domer)):
        assert client.get(address(name, visit, station)).status_code == 404


def test_opening_refuses_a_lockout_of_the_future_and_half_a_lockout(signed_in):
    machine = factories.machine()
    client = signed_in(factories.person("mechanic", machine.line.plant))
    later = (timezone.localtime() + dt.timedelta(days=2)).strftime("%Y-%m-%dT%H:%M")
    start = {"reason": "routine", "machine_state": "stopped"}
    for more, sentence in (
        ({"lockout_verified_by": "Ada", "lockout_verified_at": later, "lockout_tried": "on"}, "has not come yet"),
        ({"lockout_verified_by": "Ada"}, "Try to start it"),
        ({"lockout_tried": "on"}, "Who verified the lockout?"),
        ({"machine_state": ""}, "This field is required"),
        ({"minutes_in_state": "-5"}, "greater than or equal to 0"),
        ({"oil_c": "NaN"}, "is not a number"),
        ({"oil_c": "1e308"}, "is not a number"),
        ({"reason": "because"}, "Select a valid choice"),
        ({"reason": ""}, "Why is the machine visited? Choose the reason."),
    ):
        response = client.post(reverse("alignment:open", args=[machine.pk]), {**start, **more})
        assert response.status_code == 422, more
        assert sentence in response.content.decode(), more
    assert not Visit.objects.exists()


def test_the_offer_comes_with_the_reading_that_makes_it(job):
    client, visit, domer, _ = job
    said = type_round(client, visit, domer, OUT_HIGH, stage="as_found").content.decode()
    assert 'id="offer"' in said
    assert "Done: the first move" in said  # it would still run out by its droop: the other move stands beside it


def test_no_reason_is_chosen_beforehand_on_either_way_to_open_a_visit(signed_in):
    """A reason that is there already is counted as 'routine' by whoever is in a hurry."""
    machine = factories.machine()
    client = signed_in(factories.person("mechanic", machine.line.plant))
    for url in (reverse("alignment:open", args=[machine.pk]), reverse("alignment:unconnected")):
        page = client.get(url).content.decode()
        offered = page.split('name="reason"', 1)[1].split("</select>", 1)[0]
        assert '<option value="" selected>Choose the reason</option>' in offered
        assert offered.count("selected") == 1
