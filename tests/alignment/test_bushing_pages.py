"""A bushing in a visit: clearance by the ram's two stops, position off a line, a new one, and the signature."""

import datetime as dt
import re

import pytest
from django.utils import timezone

from linelog.alignment import visit_sheet
from linelog.alignment.models import BushingClearance, BushingFitted, BushingPosition, Result, Visit
from linelog.calc.units import Unit
from linelog.plant.kinds import BODYMAKER_GEOMETRY
from linelog.web.errors import Conflict
from linelog.web.models import AuditEvent
from tests import factories
from tests.alignment import signing
from tests.alignment.helpers import CENTRED, HTMX, address, type_round
from tests.calc.test_clearance import bar_travel

pytestmark = pytest.mark.django_db
CLEARANCE = {"unit": "mm", "stage": "as_found", "version": "0", "resolution_um": "0.001"}
POSITION = {
    "unit": "mm", "stage": "as_found", "version": "0", "reference": "wire", "view": "domer",
    "x_um": "0.010", "y_um": "-0.030", "expanded_um": "0.004",
}  # fmt: skip


@pytest.fixture
def job(signed_in):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    return signed_in(mechanic), visit, machine.stations.get(kind="front_bushing")


def send(client, visit, station, name, form, key="", headers=HTMX):
    more = {"x-write-key": key} if key else {}
    stage = {"stage": form["stage"]} if "stage" in form else {}
    return client.post(address(name, visit, station, **stage), form, headers={**headers, **more})


def test_a_sound_new_machine_of_the_default_template_reads_in(job):
    """Its bushings have 40 um on diameter: the ram rests 20 um low, which a limit of 13 um called out."""
    client, visit, _ = job
    new_um = BODYMAKER_GEOMETRY["bushing_clearance_um"]
    for bushing in visit.machine.stations.filter(kind__in=("front_bushing", "rear_bushing")):
        travels = {"up_down_um": f"{new_um / 1000}", "left_right_um": f"{new_um / 1000}"}
        answer = send(client, visit, bushing, "clearance", CLEARANCE | travels).content.decode()
        assert "inside its wear limit" in answer
        assert BushingClearance.objects.get(station=bushing).verdict == "in"
    assert not Result.objects.exists()


def test_the_larger_of_both_ways_is_judged_against_the_wear_limit(job):
    client, visit, front = job
    answer = send(client, visit, front, "clearance", CLEARANCE | {"up_down_um": "0.05", "left_right_um": "0.12"})
    row = BushingClearance.objects.get()
    assert (row.clearance_um, row.limit_um, row.verdict) == (120.0, 80.0, "out")
    assert "Worn out: clearance 0.120" in answer.content.decode()
    assert "no move mends it" in answer.content.decode()


@pytest.mark.parametrize(
    ("name", "form"), [("clearance", CLEARANCE | {"up_down_um": "0.05"}), ("position", POSITION)]
)
def test_what_a_tablet_sends_late_counts_by_when_it_was_typed_and_waits_for_a_lockout_where_none_stood(
    job, name, form
):
    client, visit, front = job
    now = timezone.now()
    ended = {"verified_at": now - dt.timedelta(hours=3), "ended_at": now - dt.timedelta(hours=1), "ended_how": "age"}
    visit.lockouts.update(**ended, runs_out_at=now - dt.timedelta(hours=1))
    late = send(client, visit, front, name, form, headers={**HTMX, "x-age": "60"})
    assert late.status_code == 422
    page = late.content.decode()
    assert re.search(r'role="alert" data-waits="lockout">The lockout reached its age: verify it again', page)
    assert re.search(r'id="lockout" hx-swap-oob="true".*name="lockout_verified_by"', page, re.S)
    kept = "up_down_um" if name == "clearance" else "x_um"
    assert re.search(rf'name="{kept}" value="{form[kept]}"', page), "what was typed stands there again"
    assert send(client, visit, front, name, form, headers={**HTMX, "x-age": "7200"}).status_code == 200


def test_before_the_lockout_its_forms_are_there_and_out_of_sight_for_a_tablet_that_verifies_it_by_itself(job):
    client, visit, front = job
    shown = client.get(address("station", visit, front)).content.decode()
    assert len(re.findall(r"data-under-lockout>|data-under-lockout ", shown)) == 2
    assert "data-under-lockout hidden" not in shown
    visit.lockouts.all().delete()
    assert client.get(address("station", visit, front)).content.decode().count("data-under-lockout hidden") == 2


def test_one_way_alone_proves_no_bushing_sound_but_may_prove_it_worn(job):
    client, visit, front = job
    answer = send(client, visit, front, "clearance", CLEARANCE | {"up_down_um": "0.04"})
    assert BushingClearance.objects.get().verdict == ""
    assert "now left and right" in answer.content.decode()
    send(client, visit, front, "clearance", CLEARANCE | {"up_down_um": "0.14", "version": "1"})
    assert BushingClearance.objects.get().verdict == "out"


def test_a_dial_away_from_the_bushing_is_worked_out_by_the_lever(job):
    """A simulated rigid ram in bushings of 60 and 30 um, rocked by its nose, the dial 200 mm ahead."""
    client, visit, front = job
    rear = visit.machine.stations.get(kind="rear_bushing")
    travel = bar_travel(60.0, 30.0, front.z_mm, rear.z_mm, front.z_mm + 200.0, "rocks")
    ahead = CLEARANCE | {"dial_z_mm": f"{front.z_mm + 200}", "other_end": "rocks"}
    both = {"up_down_um": f"{travel / 1000:.6f}", "left_right_um": f"{travel / 1000:.6f}"}
    refused = send(client, visit, front, "clearance", ahead | both)
    assert refused.status_code == 422
    assert "measure that first" in refused.content.decode()
    send(client, visit, rear, "clearance", CLEARANCE | {"up_down_um": "0.03", "left_right_um": "0.03"})
    assert send(client, visit, front, "clearance", ahead | both).status_code == 200
    assert BushingClearance.objects.get(station=front).clearance_um == pytest.approx(60.0, abs=0.01)


def test_a_position_is_typed_as_it_is_seen_and_told_in_that_view(job):
    client, visit, front = job
    answer = send(client, visit, front, "position", POSITION).content.decode()
    row = BushingPosition.objects.get()
    assert (row.x_um, row.y_um) == (-10.0, -30.0)  # seen from the crank it lies to the other side
    assert (row.verdict, row.limit_um) == ("out", 13.0)
    assert "seen from the domer" in answer
    page = client.get(address("station", visit, front)).content.decode()
    assert 'value="0.01"' in page  # the form shows again what was typed
    assert "common line" in page


def test_inches_are_taken_and_shown_for_an_inch_person(signed_in):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant, unit="inch")
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    front, client = machine.stations.get(kind="front_bushing"), signed_in(mechanic)
    sent = CLEARANCE | {"unit": "inch", "up_down_um": ".002", "left_right_um": ".0025", "resolution_um": ".0001"}
    answer = send(client, visit, front, "clearance", sent).content.decode()
    assert BushingClearance.objects.get().clearance_um == pytest.approx(63.5)
    assert "0.0025" in answer


@pytest.mark.parametrize(
    ("name", "form", "says"),
    [
        ("clearance", CLEARANCE, "Type how far the dial went"),
        ("clearance", CLEARANCE | {"up_down_um": "40"}, "check the number and its unit"),
        ("clearance", CLEARANCE | {"up_down_um": "-0.1"}, "or more"),
        ("clearance", CLEARANCE | {"up_down_um": "x"}, "is not a number"),
        ("clearance", CLEARANCE | {"up_down_um": "0.04", "dial_z_mm": "-480", "other_end": "stays"}, "nearer to the"),
        ("position", POSITION | {"expanded_um": "0"}, "or more"),
        ("position", POSITION | {"x_um": ""}, "required"),
        ("position", POSITION | {"reference": "other"}, "Say what it was measured from"),
        ("position", POSITION | {"reference": "moon"}, "valid choice"),
        ("fitted", {"fitted_on": "2999-01-01"}, "between"),
        ("fitted", {"fitted_on": "2031-01-01"}, "has not come"),
        ("fitted", {"fitted_on": "x"}, "not a date"),
    ],
)
def test_bad_input_gets_a_sentence_where_it_was_typed_also_without_script(job, name, form, says):
    client, visit, front = job
    for headers in (HTMX, {}):
        answer = send(client, visit, front, name, form, headers=headers)
        assert answer.status_code == 422
        assert says in answer.content.decode()
    assert not BushingClearance.objects.exists()
    assert not BushingPosition.objects.exists()


def test_a_stage_that_is_none_is_refused(job):
    client, visit, front = job
    sent = CLEARANCE | {"up_down_um": "0.04", "stage": "later"}
    assert client.post(address("clearance", visit, front), sent, headers=HTMX).status_code == 422
    assert not BushingClearance.objects.exists()


def test_sent_twice_under_its_key_it_is_stored_once_and_an_old_version_is_not_put_over_a_new_one(job):
    client, visit, front = job
    for name, form in (
        ("clearance", CLEARANCE | {"up_down_um": "0.04"}),
        ("position", POSITION),
        ("fitted", {"fitted_on": "2026-01-05"}),
    ):
        for _ in range(2):
            assert send(client, visit, front, name, form, key=f"key-{name}").status_code == 200
    assert (
        AuditEvent.objects.filter(action__in=["measured clearance", "measured position", "fitted bushing"]).count()
        == 3
    )
    late = send(client, visit, front, "clearance", CLEARANCE | {"up_down_um": "0.06"})
    assert late.status_code == 409
    assert "data-theirs" in late.content.decode()
    assert late["X-Version"] == "1"
    assert BushingClearance.objects.get().clearance_um == 40.0
    assert Conflict("").status == 409


def test_a_plain_post_leads_back_to_the_page(job):
    client, visit, front = job
    answer = send(client, visit, front, "clearance", CLEARANCE | {"up_down_um": "0.04"}, headers={})
    assert answer.status_code == 302
    assert f"/stations/{front.pk}/" in answer["Location"]


def test_no_bushing_is_measured_so_and_no_station_else(job):
    client, visit, _ = job
    domer = visit.machine.stations.get(kind="domer")
    answer = send(client, visit, domer, "clearance", CLEARANCE | {"up_down_um": "0.04"})
    assert answer.status_code == 404
    assert not BushingClearance.objects.exists()


def test_a_moved_bushing_takes_the_line_with_it_so_nothing_else_is_not_touched(job):
    client, visit, front = job
    domer = visit.machine.stations.get(kind="domer")
    type_round(client, visit, domer, CENTRED)
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    client.post(address("move", visit, front), {"words": "shimmed up"}, headers=HTMX)

    def sign():
        return signing.sign(client, visit).content.decode()

    assert "It was moved or renewed: measure its clearance or its position as left" in sign()
    left = CLEARANCE | {"up_down_um": "0.04", "left_right_um": "0.04", "stage": "as_left"}
    assert send(client, visit, front, "clearance", left).status_code == 200
    assert "A bushing was moved or renewed, and the ram&#x27;s line with it: sweep it as left." in sign()
    type_round(client, visit, domer, CENTRED, stage="as_left")
    sign()
    visit.refresh_from_db()
    assert visit.state == Visit.State.SIGNED


def test_bushings_alone_make_a_visit_that_can_be_signed_and_never_changes_then(job):
    client, visit, front = job
    send(client, visit, front, "fitted", {"fitted_on": str(factories.today() - dt.timedelta(days=1))})
    send(client, visit, front, "clearance", CLEARANCE | {"up_down_um": "0.04", "stage": "as_left"})
    signing.sign(client, visit)
    visit.refresh_from_db()
    assert visit.state == Visit.State.SIGNED
    late = send(client, visit, front, "clearance", CLEARANCE | {"up_down_um": "0.05"})
    assert late.status_code == 422
    assert BushingFitted.objects.count() == 1
    assert client.get(address("station", visit, front)).status_code == 200


@pytest.mark.parametrize(
    ("typed", "answers"),
    [("2.2", ["Yes, 2.2 mm"]), ("17", ["0.017 mm", "17 µm"]), ("0.25", ["Yes, 0.25 mm"])],
)
def test_a_clearance_of_more_than_three_wear_limits_is_asked_about_with_its_real_answers(job, typed, answers):
    """The wear limit is 0.080 mm: 0.25 mm is 3.1 of it, and nothing above 3 mm is a bushing that a ram runs in."""
    client, visit, front = job
    form = CLEARANCE | {"up_down_um": "0.04", "left_right_um": typed}
    asked = send(client, visit, front, "clearance", form)
    assert asked.status_code == 422
    assert not BushingClearance.objects.exists()
    said = asked.content.decode()
    answer = said[said.index("What did the dial go by?") :]
    assert sorted(re.findall(r"<button>([^<]*)</button>", answer)) == answers
    for words, form in zip(
        re.findall(r"<button>([^<]*)</button>", answer), re.findall(r"<form.*?</form>", answer, re.S), strict=False
    ):
        BushingClearance.objects.all().delete()
        sent = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
        sent.pop("csrfmiddlewaretoken", None)
        assert send(client, visit, front, "clearance", sent).status_code == 200, words
        row = BushingClearance.objects.get()
        size, unit = words.removeprefix("Yes, ").split(" ")
        assert row.left_right_um == pytest.approx(float(size) * {"mm": 1000.0, "µm": 1.0}[unit])
        assert row.up_down_um == 40.0


def test_where_the_dial_stood_and_what_of_the_other_bushing_was_reckoned_with_is_on_screen_and_sheet(job):
    """0.030 mm at the rear; a ram that lies on the bottom has half of its travel up and down below it."""
    client, visit, front = job
    rear = visit.machine.stations.get(kind="rear_bushing")
    send(client, visit, rear, "clearance", CLEARANCE | {"up_down_um": "0.03", "left_right_um": "0.02"})
    up, across = (
        bar_travel(size, other, front.z_mm, rear.z_mm, 240.0, "rocks") / 1000.0
        for size, other in ((32.0, 30.0), (60.0, 20.0))
    )
    form = CLEARANCE | {"dial_z_mm": "240", "other_end": "rocks"}
    form |= {"up_down_um": f"{up:.6f}", "left_right_um": f"{across:.6f}"}
    said = send(client, visit, front, "clearance", form).content.decode()
    (told,) = [
        line
        for one in visit_sheet.content(visit, Unit.MM, timezone.now())["stations"]
        for line in one["measured"]
        if one["name"] == str(front)
    ]
    lever = (
        "Dial at z 240\u202fmm, worked out by the lever: the other end goes to its opposite stop, its clearance "
        "up and down 0.030\u202fmm, left and right 0.020\u202fmm."
    )
    for words in (said, told):
        assert lever in words
        assert "The ram may rest 0.016 low." in words
    assert "So its clearance is up and down 0.032, left and right 0.060." in told
