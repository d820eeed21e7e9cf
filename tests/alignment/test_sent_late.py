"""What a tablet kept while it had no connection, and sends when it has: stored once, never over another's unseen."""

import re

import pytest
from django.utils import timezone

from linelog.alignment.models import MoveMade, Reading, Result, RunningReading, StationNote, Sweep
from linelog.plant.models import Person
from linelog.web.models import AuditEvent
from tests import factories
from tests.alignment.helpers import HTMX, OUT_HIGH, address, seen, type_one, type_round

pytestmark = pytest.mark.django_db
SET_UP = {
    "positions": "8", "touches": "ram-bore", "view": "crank", "resolution": "0.01",
    "sag": "0", "sag_is": "indicated", "sag_uncertainty": "0", "version": "0",
}  # fmt: skip
RUNNING = {"stage": "as_found", "x": "0.01", "y": "0.02", "expanded": "0.005", "strokes": "50"}


@pytest.fixture
def job(signed_in):
    """A mechanic with an open visit, and the domer of its machine."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    return signed_in(mechanic), visit, machine.stations.get(kind="domer")


def send(client, visit, station, name, form, key="", **place):
    headers = {**HTMX, **({"x-write-key": key} if key else {})}
    return client.post(address(name, visit, station, **place), form, headers=headers)


def test_every_kind_of_writing_sent_twice_under_its_key_is_stored_once(job):
    client, visit, domer = job
    wanted = [
        ("sweep", SET_UP | {"positions": "4"}, "set up sweep"),
        ("reading", {"repeat": 1, "angle_deg": 0, "value": "0.01", "version": 0}, "typed reading"),
        ("note", {"note": "wedge worn", "version": 0}, "wrote note"),
        ("untouched", {"not_touched": "1"}, "said not touched"),
        ("move", {"words": "eased"}, "logged move"),
        ("running", RUNNING, "typed running value"),
    ]
    for name, form, action in wanted:
        answers = [send(client, visit, domer, name, form, key=f"key-of-{name}") for _ in range(3)]
        assert [answer.status_code for answer in answers] == [200] * 3, name
        assert len({answer.get("X-Version") for answer in answers}) == 1, "the first answer's version again"
        assert AuditEvent.objects.filter(action=action).count() == 1, name


def test_a_move_taken_back_twice_is_taken_back_once(job):
    client, visit, domer = job
    send(client, visit, domer, "move", {"words": "eased"})
    path = f"/visits/{visit.pk}/stations/{domer.pk}/moves/{MoveMade.objects.get().pk}/back/"
    for _ in range(2):
        assert client.post(path, headers={**HTMX, "x-write-key": "once"}).status_code == 200
    late = client.post(path, headers={**HTMX, "x-write-key": "another"})
    assert late.status_code == 422
    assert "took it back already" in late.content.decode()
    assert AuditEvent.objects.filter(action="took move back").count() == 1


def test_a_whole_move_as_offered_is_logged_once_and_only_as_it_was_seen(job):
    client, visit, domer = job
    answer = type_round(client, visit, domer, OUT_HIGH)
    mark = seen("advised", answer)
    type_one(client, visit, domer, 180, "0.30", version=1)  # somebody reads it again: another move is offered now
    refused = send(client, visit, domer, "advised", mark, key="k")
    assert refused.status_code == 422
    assert "log what was really done" in refused.content.decode()
    assert not MoveMade.objects.exists()
    type_one(client, visit, domer, 180, "0.12", version=2)
    for _ in range(2):
        assert send(client, visit, domer, "advised", mark, key="k").status_code == 200
    logged = MoveMade.objects.count()
    assert logged >= 1
    assert AuditEvent.objects.filter(action="logged move").count() == logged


def test_the_lockout_said_on_a_tablet_is_written_once_and_answers_the_queue(job):
    client, visit, _ = job
    form = {"lockout_verified_by": "A. Mechanic", "lockout_tried": "on"}
    for _ in range(2):
        answer = client.post(address("lockout", visit), form, headers={**HTMX, "x-write-key": "lock"})
        assert answer.status_code == 200
        assert 'id="lockout"' in answer.content.decode()
    assert AuditEvent.objects.filter(action="verified lockout").count() == 1
    refused = client.post(
        address("lockout", visit), {**form, "lockout_verified_at": "2099-01-01T00:00"}, headers=HTMX
    )
    assert refused.status_code == 422
    assert 'id="lockout"' in refused.content.decode()


def test_a_length_is_taken_in_the_unit_it_was_typed_in_though_the_sweep_is_read_in_another_one_now(job):
    client, visit, domer = job
    Person.objects.update(unit="inch")
    type_one(client, visit, domer, 90, "0.05", unit="mm")
    reading = Reading.objects.get()
    assert (reading.value_um, reading.typed, reading.unit) == (50.0, "0.05", "mm")
    send(client, visit, domer, "running", RUNNING | {"unit": "um", "x": "10", "y": "20", "expanded": "5"})
    assert RunningReading.objects.get().y_um == 20.0
    adjuster = domer.adjusters.exclude(kind="screw").first() or domer.adjusters.first()
    send(client, visit, domer, "move", {"adjuster": adjuster.pk, "travel": "0.01", "way": "+", "unit": "inch"})
    assert MoveMade.objects.get().travel_um == pytest.approx(254.0)
    page = client.get(address("station", visit, domer)).content.decode()
    assert 'value="+0.0020"' in page, "shown in the unit of who looks: 0.05 mm is 0.00197 in"
    assert "Some readings were typed in mm: shown here converted to inch." in page


def test_the_lengths_of_a_set_up_are_in_the_unit_its_labels_say_also_where_another_dial_is_chosen(job):
    client, visit, domer = job
    page = client.get(address("station", visit, domer)).content.decode()
    assert 'name="lengths_in" value="mm"' in page
    assert "Sag of the bracket, read at 6 (mm)" in page
    Person.objects.update(unit="inch")  # between the page and its sending
    form = SET_UP | {"lengths_in": "mm", "resolution": "0.0127", "sag": "0.04"}
    assert send(client, visit, domer, "sweep", form).status_code == 200
    sweep = Sweep.objects.get()
    assert (sweep.resolution_um, sweep.sag_um) == (12.7, 40.0)


def test_a_set_up_that_somebody_else_changed_meanwhile_is_not_overwritten_unseen(job):
    client, visit, domer = job
    assert send(client, visit, domer, "sweep", SET_UP).status_code == 200  # theirs
    late = send(client, visit, domer, "sweep", SET_UP | {"positions": "12"})  # typed where there was no sweep yet
    assert late.status_code == 409
    assert Sweep.objects.get().positions == 8
    said = late.content.decode()
    assert re.search(r'data-theirs="[^"]*8 positions', said)
    assert late["X-Version"] == "2"
    assert re.search(r'<option value="12" selected', said), "what was chosen stands in the form"
    decided = send(client, visit, domer, "sweep", SET_UP | {"positions": "12", "version": late["X-Version"]})
    assert decided.status_code == 200
    assert Sweep.objects.get().positions == 12


def test_the_set_up_of_a_sweep_that_its_own_first_reading_made_is_no_conflict(job):
    client, visit, domer = job
    type_one(client, visit, domer, 0, "0.01")
    assert send(client, visit, domer, "sweep", SET_UP).status_code == 200


def test_a_running_value_shows_both_where_somebody_typed_one_meanwhile(job):
    client, visit, domer = job
    assert send(client, visit, domer, "running", RUNNING).status_code == 200
    late = send(client, visit, domer, "running", RUNNING | {"x": "0.03"})
    assert late.status_code == 409
    assert 'data-theirs="across +0.010' in late.content.decode()
    assert Result.objects.get(method="running").x_um == 10.0
    page = client.get(address("station", visit, domer)).content.decode()
    shown = re.search(r'name="seen_as_found" value="(\d+)"', page)[1]
    assert send(client, visit, domer, "running", RUNNING | {"x": "0.03", "seen_as_found": shown}).status_code == 200
    assert send(client, visit, domer, "running", RUNNING | {"x": "0.04", "version": "2"}).status_code == 200
    assert Result.objects.get(method="running").x_um == 40.0


def test_conflicts_say_the_other_version_and_its_number_to_the_tablet(job):
    client, visit, domer = job
    type_one(client, visit, domer, 90, "0.09")
    late = type_one(client, visit, domer, 90, "0.05")
    assert (late.status_code, late["X-Version"]) == (409, "1")
    assert 'data-theirs="0.09\u202fmm, ' in late.content.decode()
    send(client, visit, domer, "note", {"note": "first", "version": 0})
    late = send(client, visit, domer, "note", {"note": "second", "version": 0})
    assert (late.status_code, late["X-Version"]) == (409, str(StationNote.objects.get().version))
    assert 'data-theirs="first"' in late.content.decode()
    assert StationNote.objects.get().note == "first"


def test_a_page_of_an_open_visit_may_be_kept_for_its_person_and_no_other_store_may_keep_it(job):
    client, visit, domer = job
    person = visit.opened_by
    for page in (address("visit", visit), address("station", visit, domer)):
        answer = client.get(page)
        assert answer["X-Keep"] == str(person.pk)
        assert "no-store" in answer["Cache-Control"]
        assert "X-Keep-Seconds" not in answer
    type(visit).objects.update(state="dropped", dropped_why="a test")
    assert "X-Keep" not in client.get(address("station", visit, domer))


def test_the_visit_names_every_screen_that_its_pages_lead_to(job):
    client, visit, domer = job
    page = client.get(address("visit", visit)).content.decode()
    kept = set(re.search(r'data-keep="([^"]*)"', page)[1].replace("&amp;", "&").split())
    for url in list(kept):  # a page may stand at more than one address
        kept |= set(client.get(url).get("X-Keep-Also", "").split())
    followed = {address("station", visit, domer)}
    for _ in range(4):
        for path in list(followed):
            text = client.get(path).content.decode()
            links = re.findall(rf'href="(/visits/{visit.pk}/stations/[^"]*)"', text)
            followed |= {re.sub(r"&repeat=1$", "", link.replace("&amp;", "&")) for link in links}
    assert followed <= kept
    assert len(kept) >= 2 * visit.machine.stations.count()
