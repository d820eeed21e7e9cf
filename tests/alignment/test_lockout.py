"""The life of a lockout, through the program's own addresses and services: while none stands, no static reading."""

import datetime as dt
import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.lockout import status_of
from linelog.alignment.models import Lockout, Reading, Result, Visit
from linelog.alignment.services import lockouts, readings, visits
from linelog.plant.lockout import ISOLATION_POINTS, life_of, words_of
from linelog.plant.models import LockoutProcedure
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, save, seen, type_one, type_round
from tests.alignment.locked import not_locked_out, verify

pytestmark = pytest.mark.django_db
NOW = factories.NOW  # 11:30 by the plant's clock; its shifts begin at 6, 14 and 22
HOUR = dt.timedelta(hours=1)
RUNNING = {"x": "0.01", "y": "0.02", "expanded": "0.005", "strokes": "50"}


@pytest.fixture
def job(signed_in):
    return not_locked_out(signed_in)


def typed(version=0):
    return readings.Typed(1, 90.0, False, 50.0, "0.05", "mm", version)


def test_a_reading_waits_until_a_lockout_stands_and_then_is_taken(job):
    client, visit, domer, _ = job
    refused = type_one(client, visit, domer, 90, "0.05")
    assert refused.status_code == 422
    said = refused.content.decode()
    assert 'data-waits="lockout"' in said, "the tablet keeps it and sends it again by itself"
    assert 'id="lockout" hx-swap-oob="true"' in said, "the way to verify comes with the refusal"
    assert not Reading.objects.exists()
    assert verify(client, visit).status_code == 302
    assert type_one(client, visit, domer, 90, "0.05").status_code == 200
    lockout = visit.lockouts.get()
    assert (lockout.verified_by, lockout.locks.get().number) == ("A. Mechanic", "14")


@pytest.mark.parametrize("how", ["ran", "test"])
def test_it_ends_in_the_middle_of_a_sweep_and_goes_on_once_verified_anew(job, how):
    client, visit, domer, _ = job
    verify(client, visit)
    type_one(client, visit, domer, 0, "0.01")
    assert client.post(address("lockout_end", visit), {"how": how, "clear": "on"}).status_code == 302
    assert type_one(client, visit, domer, 90, "0.05").status_code == 422
    assert list(Reading.objects.values_list("angle_deg", flat=True)) == [0.0], "what was typed before stays"
    verify(client, visit)
    answer = type_one(client, visit, domer, 90, "0.05")
    assert answer.status_code == 200
    assert list(visit.lockouts.values_list("ended_how", flat=True)) == [how, ""]
    said = "1 of these 2 readings (12 o&#x27;clock) are from before the machine was"
    assert said in answer.content.decode(), "the ram may have moved, and nothing in four readings would show it"
    page = client.get(address("station", visit, domer)).content.decode()
    assert said in page


def test_after_power_the_verdict_is_withheld_until_each_reading_is_typed_again_be_it_the_same(job):
    client, visit, domer, _ = job
    verify(client, visit)
    type_round(client, visit, domer, {"0": "0", "90": "0.01"})
    client.post(address("lockout_end", visit), {"how": "test", "clear": "on"})
    verify(client, visit)
    said = type_round(client, visit, domer, {"180": "0.02", "270": "0.01"}).content.decode()
    assert "2 of these 4 readings (12 and 3 o&#x27;clock) are from before the machine was" in said
    assert Result.objects.get().withheld
    assert 'class="offered"' not in said
    first, second = Reading.objects.filter(angle_deg__in=(0, 90)).order_by("angle_deg")
    assert type_one(client, visit, domer, 0, "0", version=first.version).status_code == 200
    assert Result.objects.get().withheld
    said = type_one(client, visit, domer, 90, "0.01", version=second.version).content.decode()
    assert "from before the machine was" not in said
    assert not Result.objects.get().withheld
    again = Reading.objects.get(pk=first.pk)
    assert (again.value_um, again.version) == (first.value_um, first.version + 1)
    assert again.at > first.at
    type_one(client, visit, domer, 0, "0", version=again.version)
    assert Reading.objects.get(pk=first.pk).version == again.version, "nothing happened since: the same is the same"


def test_without_a_lockout_no_move_is_to_be_made_as_offered(job):
    client, visit, domer, _ = job
    verify(client, visit)
    mark = seen("advised", type_round(client, visit, domer, OUT_HIGH))
    client.post(address("lockout_end", visit), {"how": "ran"})
    page = client.get(address("station", visit, domer)).content.decode()
    assert "Move nothing yet: no lockout stands." in page
    refused = client.post(address("advised", visit, domer), mark, headers=HTMX)
    assert refused.status_code == 422
    assert "No lockout stood then" in refused.content.decode()
    assert not visit.moves.exists()
    verify(client, visit)
    assert client.post(address("advised", visit, domer), mark, headers=HTMX).status_code == 200
    assert visit.moves.exists()


def test_barring_by_hand_is_no_end_that_can_be_chosen(job):
    client, visit, _, _ = job
    verify(client, visit)
    assert client.post(address("lockout_end", visit), {"how": "barred"}).status_code == 422
    assert status_of(visit, timezone.now()).stands
    assert "Barring over by hand is done under lockout" in client.get(address("lockout_page", visit)).content.decode()


def test_a_machine_that_runs_ends_it_however_that_is_told(job):
    client, visit, domer, _ = job
    conditions = {"reason": "routine", "version": visit.version}
    verify(client, visit)
    client.post(address("edit", visit), {**conditions, "machine_state": "running"})
    assert visit.lockouts.last().ended_how == "ran"
    visit.refresh_from_db()
    client.post(address("edit", visit), {**conditions, "version": visit.version, "machine_state": "stopped"})
    assert type_one(client, visit, domer, 0, "0.01").status_code == 422, "stopped again is not locked out again"
    verify(client, visit)
    for stage, stands in (
        ("as_found", True),
        ("as_left", False),
    ):  # measured before it was stopped, after the restart
        client.post(address("running", visit, domer), {**RUNNING, "stage": stage}, headers=HTMX)
        assert status_of(visit, timezone.now()).stands is stands, stage


def test_its_age_counts_and_the_change_of_shift(job):
    _, visit, domer, mechanic = job
    given = lockouts.Verification("A. Mechanic", NOW)
    lockouts.verify_lockout(by=mechanic, visit=visit, given=given, at=NOW)
    change = NOW + 2.5 * HOUR  # 14:00 by the plant's clock
    with pytest.raises(Refused, match="shift changed"):
        save(visit, domer, typed(), by=mechanic, at=change)
    save(visit, domer, typed(), by=mechanic, at=change - dt.timedelta(seconds=1))
    LockoutProcedure.objects.create(plant=visit.machine.line.plant, lasts_hours=1.5, ends_with_shift=False)
    lockouts.verify_lockout(by=mechanic, visit=visit, given=lockouts.Verification("B"), at=change)
    first, second = visit.lockouts.all()
    assert (first.ended_at, first.ended_how) == (change, "shift"), "it ended by the clock, not when that was noticed"
    assert (second.runs_out_at, second.runs_out_why) == (change + 1.5 * HOUR, "age")
    with pytest.raises(Refused, match="reached its age"):
        save(visit, domer, typed(version=1), by=mechanic, at=change + 1.5 * HOUR)


def test_a_verification_of_yesterday_night_counts_by_its_age_and_an_old_one_is_refused(job):
    _, visit, _, mechanic = job
    midnight = dt.datetime(2026, 6, 15, 22, 0, tzinfo=dt.UTC)  # by the plant's clock
    late = lockouts.Verification("A", midnight - HOUR)
    lockouts.verify_lockout(by=mechanic, visit=visit, given=late, at=midnight + HOUR)
    assert status_of(visit, midnight + HOUR).stands
    with pytest.raises(Refused, match="run out since"):
        lockouts.verify_lockout(
            by=mechanic, visit=visit, given=lockouts.Verification("A", midnight), at=midnight + 9 * HOUR
        )


def test_what_a_tablet_kept_was_taken_when_it_was_typed(job):
    """Without a connection: locked out 100 min ago, a reading 90 min ago, and the machine long returned since."""
    client, visit, domer, _ = job
    assert verify(client, visit, headers={**HTMX, "X-Age": "6000"}).status_code == 200
    Lockout.objects.update(runs_out_at=timezone.now() - HOUR)
    assert type_one(client, visit, domer, 0, "0.01").status_code == 422, "typed now"
    assert type_one(client, visit, domer, 0, "0.01", headers={"X-Age": "5400"}).status_code == 200
    assert type_one(client, visit, domer, 90, "0.01", headers={"X-Age": "6600"}).status_code == 422, "before it"
    seconds = (timezone.now() - Lockout.objects.get().verified_at).total_seconds()
    assert seconds == pytest.approx(6000, abs=60)


def test_handed_over_the_next_one_is_verified_and_hung_anew(job):
    client, visit, _, _ = job
    verify(client, visit)
    verify(client, visit, lockout_verified_by="B. Next", lockout_lock="31", lockout_handed_over="on")
    first, second = visit.lockouts.all()
    assert (first.ended_how, second.verified_by) == ("handed_over", "B. Next")
    assert second.locks.get().number == "31"
    done = list(AuditEvent.objects.order_by("pk").values_list("action", flat=True))
    assert [action for action in done if "lockout" in action] == [
        *("verified lockout", "ended lockout", "verified lockout")
    ]


def test_running_values_and_what_is_copied_from_paper_need_none(job, client):
    _, visit, domer, mechanic = job
    stored = client.post(address("running", visit, domer), {**RUNNING, "stage": "as_found"}, headers=HTMX)
    assert stored.status_code == 200
    visits.drop_visit(by=mechanic, visit=visit, why="make room", at=timezone.now())
    form = {"reason": "routine", "machine_state": "paper", "paper_of": "2026-06-14T08:15"}
    opened = client.post(reverse("alignment:open", args=[visit.machine_id]), form)
    assert opened.status_code == 302
    copied = Visit.objects.get(from_paper=True)
    assert copied.opened_at == dt.datetime(2026, 6, 14, 6, 15, tzinfo=dt.UTC), "by the plant's clock"
    assert type_round(client, copied, domer, CENTRED).status_code == 200
    assert copied.results.get().at == copied.opened_at


def test_paper_needs_its_time_and_no_other_does(job, client):
    _, visit, _, mechanic = job
    visits.drop_visit(by=mechanic, visit=visit, why="make room", at=timezone.now())
    for more, sentence in (
        ({"machine_state": "paper"}, "When was it measured"),
        ({"machine_state": "stopped", "paper_of": "2026-06-14T08:15"}, "copied from paper"),
        ({"machine_state": "paper", "paper_of": "2099-06-14T08:15"}, "a time that has passed"),
        ({"machine_state": "running", "lockout_verified_by": "A", "lockout_tried": "on"}, "not locked out"),
    ):
        answer = client.post(reverse("alignment:open", args=[visit.machine_id]), {"reason": "routine", **more})
        assert answer.status_code == 422, more
        assert sentence in answer.content.decode(), more


def test_nothing_dangerous_is_chosen_or_filled_in_beforehand(job):
    client, visit, domer, _ = job
    pages = [client.get(address(name, visit)).content.decode() for name in ("visit", "lockout_page")]
    pages.append(client.get(address("station", visit, domer)).content.decode())
    pages.append(client.get(reverse("alignment:open", args=[visit.machine_id])).content.decode())
    for page in pages:
        assert "checked" not in page.replace("data-checked", "")
        for name in ("lockout_verified_at", "lockout_verified_by"):
            field = page[page.index(f'name="{name}"') :]
            assert "value=" not in field[: field.index(">")], name
    verify(client, visit)
    assert "checked" not in client.get(address("lockout_page", visit)).content.decode()


def test_the_words_are_the_machines_else_the_plants_else_ours_and_say_that_the_site_rules(job):
    client, visit, _, _ = job
    machine, plant = visit.machine, visit.machine.line.plant
    assert words_of(machine).ours
    page = client.get(address("visit", visit)).content.decode()
    assert ISOLATION_POINTS in page
    assert "site&#x27;s own procedure rules" in page or "site's own procedure rules" in page
    client.force_login(factories.person("manager", plant))
    form = {"number": "LO-7", "isolation_points": "Breaker Q4\nValve V2", "ends_with_shift": "on"}
    stored = client.post(
        reverse("plant:lockout", args=[plant.pk]), {**form, "overlap_minutes": "20", "lasts_hours": "6"}
    )
    assert stored.status_code == 302
    own = {"pinch_points": "At the cam", "ends_with_shift": "on", "overlap_minutes": "20", "lasts_hours": "3"}
    assert client.post(reverse("plant:machine_lockout", args=[machine.pk]), own).status_code == 302
    words = words_of(machine)
    assert (words.number, words.pinch_points, words.isolation_points) == (
        "LO-7",
        "At the cam",
        form["isolation_points"],
    )
    assert life_of(machine, NOW - 3 * HOUR).until == NOW
    page = client.get(address("visit", visit)).content.decode()
    assert "Breaker Q4<br>Valve V2" in page
    assert client.get(address("visit", visit)).content.decode().count("LO-7") >= 2, "in the words and in the field"


def test_bad_times_of_a_plant_are_refused_where_they_were_typed(job, client):
    _, visit, _, _ = job
    plant = visit.machine.line.plant
    client.force_login(factories.person("manager", plant))
    for form in ({"lasts_hours": "13"}, {"lasts_hours": "0"}, {"lasts_hours": "NaN"}, {"overlap_minutes": "-1"}):
        answer = client.post(reverse("plant:lockout", args=[plant.pk]), {"overlap_minutes": "30", **form})
        assert answer.status_code == 422, form
    assert not LockoutProcedure.objects.exists()


def test_a_page_left_open_asks_cheaply_how_the_lockout_stands(client):
    """304 with the same ETag where nothing changed (RFC 9110, 13.1.2 and 15.4.5); the sentence where it did."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit, domer = factories.visit(machine, mechanic, opened_at=timezone.now()), machine.stations.get(kind="domer")
    client.force_login(mechanic)
    page = client.get(address("station", visit, domer)).content.decode()
    mark = re.search(r'id="lockout-now"[^>]* data-mark="([^"]+)"', page)[1]
    url = reverse("alignment:lockout_now", args=[visit.pk])
    known = {"If-None-Match": f'"{mark}"', "X-Passive": "1"}
    same = client.get(url, headers=known)
    assert (same.status_code, same.content, same["ETag"]) == (304, b"", f'"{mark}"')
    with CaptureQueriesContext(connection) as asked:
        client.get(url, headers=known)
    assert len(asked) <= 5, [query["sql"][:200] for query in asked]
    assert not any(query["sql"].startswith(("INSERT", "UPDATE", "DELETE")) for query in asked)
    Lockout.objects.update(ended_at=timezone.now(), ended_how="returned")
    told = client.get(url, headers=known)
    assert told.status_code == 200
    assert told["ETag"] != same["ETag"]
    assert "The machine was returned to service: verify a new lockout." in told.content.decode()
    stranger = factories.person("mechanic")
    client.force_login(stranger)
    assert client.get(url, headers=known).status_code == 404
