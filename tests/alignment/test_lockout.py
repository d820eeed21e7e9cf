"""The life of a lockout, through the program's own addresses and services: while none stands, no static reading."""

import datetime as dt
import re

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.lockout import status_of
from linelog.alignment.models import Lockout, PersonalLock, Reading, Result, Visit
from linelog.alignment.services import lockouts, readings, visits
from linelog.plant.lockout import ISOLATION_POINTS, life_of, words_of
from linelog.plant.models import LockoutProcedure
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, save, seen, type_one, type_round
from tests.alignment.signing import sign

pytestmark = pytest.mark.django_db
NOW = factories.NOW  # 11:30 by the plant's clock; its shifts begin at 6, 14 and 22
HOUR = dt.timedelta(hours=1)
RETURNED = {"returned_by": "A. Mechanic", "tools_counted": "on", "guards_closed": "on", "people_clear": "on"}
RUNNING = {"x": "0.01", "y": "0.02", "expanded": "0.005", "strokes": "50"}


@pytest.fixture
def job(signed_in):
    """A mechanic with an open visit that was never locked out, and the domer of its machine."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, locked_out=False, opened_at=timezone.now())
    return signed_in(mechanic), visit, machine.stations.get(kind="domer"), mechanic


def verify(client, visit, headers=None, **more):
    form = {"lockout_verified_by": "A. Mechanic", "lockout_tried": "on", "lockout_lock": "14", **more}
    return client.post(address("lockout", visit), form, headers=headers or {})


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


def test_each_person_hangs_and_takes_off_their_own_lock(job):
    client, visit, _, _ = job
    verify(client, visit)
    assert client.post(address("lock", visit), {"name": "B. Helper", "number": "22"}).status_code == 302
    again = client.post(address("lock", visit), {"name": "b. helper"})
    assert again.status_code == 422
    assert "written down already" in again.content.decode()
    lock = PersonalLock.objects.get(name="B. Helper")
    refused = client.post(address("lockout_return", visit), RETURNED)
    assert refused.status_code == 422
    assert "Still on: A. Mechanic, lock 14, B. Helper, lock 22" in refused.content.decode()
    off = reverse("alignment:lock_off", args=[visit.pk, lock.pk])
    refused = client.post(off)
    assert refused.status_code == 422
    assert "the lock of B. Helper, who alone takes it off" in refused.content.decode()
    assert client.post(off, {"spoken_to": "on"}).status_code == 302
    assert AuditEvent.objects.filter(action="wrote down another's lock as off").count() == 1
    assert client.post(off, {"spoken_to": "on"}).status_code == 422
    mine = PersonalLock.objects.get(name="A. Mechanic")
    assert client.post(address("lockout_return", visit), {**RETURNED, "locks_off": mine.pk}).status_code == 302
    assert not PersonalLock.objects.filter(off_at__isnull=True).exists()


def test_the_last_lock_that_comes_off_ends_it_and_hung_again_it_is_verified_again(job):
    """A verification holds while a lock hangs: 29 CFR 1910.147(d)(4) to (6), verified with the locks on."""
    client, visit, domer, _ = job
    verify(client, visit)
    client.post(address("lock", visit), {"name": "B. Helper", "number": "22"})
    first, second = PersonalLock.objects.order_by("pk")
    spoken = {"spoken_to": "on"}
    assert client.post(reverse("alignment:lock_off", args=[visit.pk, first.pk]), spoken).status_code == 302
    assert status_of(visit, timezone.now()).stands, "another's lock still hangs"
    assert type_one(client, visit, domer, 0, "0.01").status_code == 200
    assert client.post(reverse("alignment:lock_off", args=[visit.pk, second.pk]), spoken).status_code == 302
    assert visit.lockouts.get().ended_how == "bare"
    for page in (address("lockout_page", visit), address("visit", visit)):
        said = client.get(page).content.decode()
        assert "no lockout stands</span> Every lock was taken off" in said
        assert 'class="state in">locked out' not in said
    refused = type_one(client, visit, domer, 90, "0.05")
    assert refused.status_code == 422
    assert "verify it again. What you typed waits." in refused.content.decode()
    hung = client.post(address("lock", visit), {"name": "A. Mechanic", "number": "14"})
    assert hung.status_code == 422, "a lock hung again does not bring the old verification back"
    verify(client, visit)
    assert type_one(client, visit, domer, 90, "0.05").status_code == 200


def test_the_last_lock_may_come_off_after_the_signature(job):
    client, visit, domer, mechanic = job
    verify(client, visit, lockout_verified_by=str(mechanic))
    type_round(client, visit, domer, CENTRED)
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    assert sign(client, visit).status_code == 302
    lock = PersonalLock.objects.get()
    assert client.post(reverse("alignment:lock_off", args=[visit.pk, lock.pk])).status_code == 302
    assert visit.lockouts.get().ended_how == "bare"
    assert client.post(address("lockout_return", visit), RETURNED).status_code == 302


def test_two_people_never_hang_on_one_lock(job):
    client, visit, _, _ = job
    verify(client, visit)
    shared = client.post(address("lock", visit), {"name": "B. Helper", "number": "14"})
    assert shared.status_code == 422
    assert "Lock 14 hangs as the lock of A. Mechanic: each hangs their own." in shared.content.decode()
    shared = verify(client, visit, lockout_verified_by="C. Next")
    assert shared.status_code == 422
    assert "each hangs their own" in shared.content.decode()
    assert PersonalLock.objects.get().name == "A. Mechanic"
    assert verify(client, visit).status_code == 302, "the same person's, written down anew"


def test_before_powered_inching_everybody_is_out_and_each_lock_off(job):
    client, visit, _, _ = job
    verify(client, visit)
    refused = client.post(address("lockout_end", visit), {"how": "test"})
    assert refused.status_code == 422
    said = refused.content.decode()
    assert "everybody is out and clear and each took off their own lock: say so first" in said
    assert "each took off their own lock: A. Mechanic, lock 14" in said
    assert status_of(visit, timezone.now()).stands
    assert client.post(address("lockout_end", visit), {"how": "test", "clear": "on"}).status_code == 302
    assert not PersonalLock.objects.filter(off_at__isnull=True).exists()


def test_a_lock_that_hangs_from_before_a_hand_over_is_seen_and_asked_for(job):
    client, visit, _, _ = job
    verify(client, visit)
    client.post(address("lock", visit), {"name": "B. Helper", "number": "B8"})
    assert verify(client, visit, lockout_verified_by="C. Next", lockout_lock="31").status_code == 302
    assert "B. Helper, lock B8" in client.get(address("lockout_page", visit)).content.decode()
    left = PersonalLock.objects.get(name="C. Next")
    refused = client.post(address("lockout_return", visit), {**RETURNED, "locks_off": left.pk})
    assert refused.status_code == 422
    assert "Still on: A. Mechanic, lock 14, B. Helper, lock B8" in refused.content.decode()
    verify(client, visit, lockout_verified_by="B. Helper", lockout_lock="B9")
    assert PersonalLock.objects.get(number="B8").off_at is not None, "the same person's lock, written down anew"


@pytest.mark.parametrize("left", ["tools_counted", "guards_closed", "people_clear", "returned_by"])
def test_nothing_returns_to_service_with_a_check_left_out(job, left):
    client, visit, _, _ = job
    verify(client, visit, lockout_lock="")
    form = {name: value for name, value in RETURNED.items() if name != left}
    assert client.post(address("lockout_return", visit), form).status_code == 422
    assert visit.lockouts.get().returned_at is None
    assert client.post(address("lockout_return", visit), RETURNED).status_code == 302
    assert (visit.lockouts.get().returned_by, visit.lockouts.get().ended_how) == ("A. Mechanic", "returned")
    assert client.post(address("lockout_return", visit), RETURNED).status_code == 422, "once"


def test_who_has_no_lock_of_their_own_is_told_at_the_station(job):
    client, visit, domer, mechanic = job
    verify(client, visit)
    missing = "Your own lock is not written down."
    assert missing in client.get(address("station", visit, domer)).content.decode()
    client.post(address("lock", visit), {"name": str(mechanic), "number": "7"})
    assert missing not in client.get(address("station", visit, domer)).content.decode()


def test_nobody_returns_a_machine_at_which_another_typed_a_moment_ago_without_speaking_to_them(job, signed_in):
    client, visit, domer, _ = job
    verify(client, visit, lockout_lock="")
    type_round(client, visit, domer, CENTRED)
    plant = visit.machine.line.plant
    other = signed_in(factories.person("mechanic", plant, username="second", first_name="Second", last_name="Hand"))
    refused = other.post(address("lockout_return", visit), RETURNED)
    assert refused.status_code == 422
    said = refused.content.decode()
    assert f"{visit.opened_by} typed a reading here 0 minutes ago: speak to them first" in said
    assert f"I have spoken to {visit.opened_by}, who is clear of the machine" in said
    assert visit.lockouts.get().ended_at is None
    Reading.objects.update(at=timezone.now() - dt.timedelta(minutes=11))
    assert "I have spoken to" not in other.get(address("lockout_page", visit)).content.decode()
    Reading.objects.update(at=timezone.now() - dt.timedelta(minutes=9))
    assert other.post(address("lockout_return", visit), {**RETURNED, "spoken_to": "on"}).status_code == 302


def test_it_may_return_after_the_signature_and_nothing_else_of_it_changes_then(job):
    client, visit, domer, _ = job
    verify(client, visit)
    type_round(client, visit, domer, CENTRED)
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    lock = PersonalLock.objects.get()
    Visit.objects.filter(pk=visit.pk).update(
        state="signed", signed_by=visit.opened_by, signed_at=timezone.now()
    )  # by hand: signing itself is another page's
    for change in ({"verified_by": "X"}, {"runs_out_at": NOW}, {"procedure": "other"}):
        with pytest.raises(IntegrityError, match="signed visit"), transaction.atomic():
            Lockout.objects.update(**change)
    with pytest.raises(IntegrityError, match="signed visit"), transaction.atomic():
        PersonalLock.objects.update(number="other")
    assert client.post(address("lockout_return", visit), {**RETURNED, "locks_off": lock.pk}).status_code == 302
    for rows, change in (
        (Lockout.objects, {"returned_by": "X"}),
        (Lockout.objects, {"returned_at": None, "returned_by": ""}),
        (PersonalLock.objects, {"off_at": None}),
    ):
        with pytest.raises(IntegrityError, match="signed visit"), transaction.atomic():
            rows.update(**change)
    with pytest.raises(IntegrityError, match="signed visit"), transaction.atomic():
        factories.lockout(visit, visit.opened_by)


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
