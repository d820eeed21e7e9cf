"""What a signature stands for: the page shows it, nothing unseen is signed, and the names of the day stay.

Common practice, no source: who signs has seen what is signed, and shows who they are.
"""

import datetime as dt

import pytest
from django.conf import settings
from django.contrib.auth.hashers import make_password
from django.test import Client
from django.utils import timezone

from linelog.alignment.models import MoveMade, Reading, Result, Signature, StationNote, Sweep, Visit
from linelog.alignment.services import moves, visits
from linelog.alignment.services.readings import Typed
from linelog.alignment.signing.check import Code, to_sign
from linelog.alignment.signing.record import digest_of, record_of
from linelog.calc.units import Unit
from linelog.plant.models import Adjuster, Person
from linelog.web import acting
from linelog.web.models import AuditEvent, Tablet
from tests import factories
from tests.alignment.helpers import CENTRED, save, type_round
from tests.alignment.signing import carried

pytestmark = pytest.mark.django_db
PIN = "7294"
NOW = factories.NOW


class Job:
    """A visit of one station, swept as found, on a machine of one plant."""

    def __init__(self, **plant):
        self.plant = factories.plant(**plant)
        self.by = factories.person("mechanic", self.plant, first_name="Ana", pin_hash=make_password(PIN))
        self.other = factories.person("mechanic", self.plant, first_name="Bert", pin_hash=make_password(PIN))
        self.machine = factories.machine(factories.line(self.plant))
        self.visit = factories.visit(self.machine, self.by)
        self.station = self.machine.stations.get(kind="domer")
        self.versions = {}

    def sweep(self, stage="as_found", values=(0.0, 12.0, 24.0, 12.0), by=None, kind="rim"):
        for angle, value in zip((0.0, 90.0, 180.0, 270.0), values, strict=True):
            self.read(angle, value, stage=stage, by=by, kind=kind)

    def read(self, angle, value, stage="as_found", by=None, kind="rim", version=None):
        at = (stage, kind, angle)
        seen = self.versions.get(at, 0) if version is None else version
        typed = Typed(1, angle, False, value, f"{value:g}", "um", seen)
        who = by or self.by
        self.versions[at] = save(self.visit, self.station, typed, by=who, at=timezone.now(), stage=stage, kind=kind)

    def untouched(self):
        moves.say_not_touched(by=self.by, visit=self.visit, station=self.station, not_touched=True, at=timezone.now())

    def move(self, **more):
        at = {"unit": "um", "by": self.by, "at": timezone.now(), "words": "one turn", **more}
        return MoveMade.objects.create(visit=self.visit, station=self.station, **at)

    def codes(self, station=None):
        found = to_sign(Visit.objects.get(pk=self.visit.pk), Unit.MM, timezone.now()).found
        return {one.code for one in found if one.station == (station or self.station) or one.station is None}

    @property
    def url(self):
        return f"/visits/{self.visit.pk}/sign/"

    def client(self, person=None):
        client = Client()
        client.force_login(person or self.by)
        return client

    def tablet(self, person=None):
        client, account = Client(), factories.person("viewer", self.plant)
        client.force_login(account)
        session = client.session
        kept = Tablet.objects.create(account_id=account.pk, plant_id=self.plant.pk, signed_in_at=timezone.now())
        acting.make_shared(session, kept)
        acting.take_over(session, person or self.by, timezone.now())
        session.save()
        client.cookies[settings.SESSION_COOKIE_NAME] = session.session_key
        return client

    def state(self):
        return Visit.objects.get(pk=self.visit.pk).state


def test_what_is_shown_is_signed_with_name_role_proof_and_digest():
    job = Job()
    job.sweep()
    job.untouched()
    client = job.client()
    page = client.get(job.url)
    assert "You sign as <strong>Ana" in page.content.decode()
    digest = digest_of(record_of(job.visit, Unit.MM))
    assert client.post(job.url, carried(page)).status_code == 302
    signature = Signature.objects.get(visit=job.visit)
    assert (signature.name, signature.role, signature.proof) == (str(job.by), "mechanic", "session")
    assert signature.digest == digest
    assert AuditEvent.objects.get(action="signed visit").after["record"] == digest


def test_a_reading_changed_since_it_was_seen_is_not_signed_and_both_are_shown():
    job = Job()
    job.sweep("as_found")
    job.sweep("as_left")
    client = job.client()
    seen = carried(client.get(job.url))
    job.read(180.0, 48.0, stage="as_left", by=job.other)
    answer = client.post(job.url, seen)
    text = answer.content.decode()
    assert answer.status_code == 409
    assert job.state() == "open"
    assert "<td>+0.024\u202fmm (typed 24\u202fµm)</td><td>+0.048\u202fmm (typed 48\u202fµm)</td>" in text
    assert "6 o&#x27;clock" in text or "6 o'clock" in text
    assert client.post(job.url, carried(answer)).status_code == 302, "seen now, it can be signed"


CHANGES = {
    "a move logged": lambda job: job.move(),
    "a reading taken away": lambda job: Reading.objects.filter(sweep__visit=job.visit).first().delete(),
    "a note": lambda job: StationNote.objects.update(note="loose foot"),
    "the set-up of a sweep": lambda job: Sweep.objects.update(sag_um=20.0),
    "a verdict": lambda job: Result.objects.filter(stage="as_found").update(verdict="out"),
    "the conditions": lambda job: Visit.objects.update(oil_c=61.0),
    "another sweep": lambda job: Sweep.objects.create(
        visit=job.visit, station=job.machine.stations.first(), stage="as_found"
    ),
}


@pytest.mark.parametrize("change", CHANGES)
def test_whatever_changed_since_is_not_signed(change):
    job = Job()
    job.sweep()
    job.untouched()
    client = job.client()
    seen = carried(client.get(job.url))
    CHANGES[change](job)
    answer = client.post(job.url, seen)
    assert answer.status_code == 409
    assert "Changed since you looked" in answer.content.decode()
    assert job.state() == "open"
    assert not Signature.objects.exists()


@pytest.mark.parametrize("seen", ["", "x", "e30:abc:def", None])
def test_what_was_seen_cannot_be_left_out_or_made_up(seen):
    job = Job()
    job.sweep()
    job.untouched()
    answer = job.client().post(job.url, {} if seen is None else {"seen": seen})
    assert answer.status_code == 422
    assert "What you saw is not known" in answer.content.decode()
    assert job.state() == "open"


def test_what_was_seen_of_another_visit_does_not_sign_this_one():
    job, another = Job(), Job()
    for one in (job, another):
        one.sweep()
        one.untouched()
    seen = {**carried(another.client().get(another.url)), "made_for": str(job.by.pk)}
    assert job.client().post(job.url, seen).status_code == 422
    assert job.state() == "open"


def test_not_touched_said_before_a_change_no_longer_counts():
    job = Job()
    job.sweep()
    job.untouched()
    job.read(180.0, 48.0, by=job.other)
    assert not StationNote.objects.get(visit=job.visit).not_touched
    assert Code.NOT_SAID in job.codes()
    with pytest.raises(visits.Refused, match="not touched"):
        visits.sign_visit(by=job.by, visit=job.visit, at=timezone.now())
    assert AuditEvent.objects.filter(action="took back not touched").count() == 1


def test_the_same_reading_sent_again_does_not_take_not_touched_back():
    job = Job()
    job.sweep()
    job.untouched()
    job.read(180.0, 24.0, version=0)
    assert StationNote.objects.get(visit=job.visit).not_touched


def test_the_page_names_what_is_open():
    job = Job()
    assert Code.NOTHING in job.codes()
    assert Code.MISSING in job.codes()
    job.read(0.0, 0.0)
    job.read(90.0, 12.0)
    job.read(180.0, 24.0)
    assert {Code.NOT_WHOLE, Code.NOT_SAID} <= job.codes()
    job.read(270.0, 412.0)
    assert Code.UNCONFIRMED in job.codes(), "closure of 412 um"
    job.read(270.0, 12.0)
    assert job.codes() - {Code.LOCKOUT} == {Code.NOT_SAID}
    job.move()
    assert job.codes() - {Code.LOCKOUT} == {Code.MOVED_NOT_SWEPT}
    job.sweep("as_left")
    assert job.codes() - {Code.LOCKOUT} == set()
    job.move(at=timezone.now() + dt.timedelta(minutes=1))
    assert job.codes() - {Code.LOCKOUT} == {Code.MOVED_AFTER}


def test_what_the_page_asks_for_first_is_what_a_signature_refuses():
    """One of two seats swept as left: how the other was left is not known, whatever its neighbour shows."""
    job = Job()
    pack = job.machine.stations.get(kind="tool_pack")
    for seat, stage in (("front", "as_found"), ("rear", "as_found"), ("front", "as_left")):
        type_round(job.client(), job.visit, pack, CENTRED, seat=seat, stage=stage)
    assert Code.NOT_SAID in job.codes(pack)
    with pytest.raises(visits.Refused, match=f"{pack}: Sweep it as left, or say that it was not touched"):
        visits.sign_visit(by=job.by, visit=job.visit, at=timezone.now())
    moves.say_not_touched(by=job.by, visit=job.visit, station=pack, not_touched=True, at=timezone.now())
    assert Code.NOT_SAID not in job.codes(pack)
    visits.sign_visit(by=job.by, visit=job.visit, at=timezone.now())
    assert job.visit.results.get(station=pack, stage="as_left", seat="rear").carried


def test_a_tilt_move_without_its_face_swept_again_is_named():
    job = Job()
    job.station.face_radius_mm = 30.0
    job.station.save()
    tilts = Adjuster.objects.filter(station=job.station, along_z=True).first() or Adjuster.objects.create(
        station=job.station, name="Tilt", kind="slide", along_z=True, z_mm=job.station.z_mm
    )
    job.sweep()
    job.sweep(kind="face")
    job.move(adjuster=tilts, travel_um=20.0, typed="0.02", unit="mm")
    job.sweep("as_left")
    assert Code.FACE_NOT_SWEPT in job.codes()
    job.sweep("as_left", kind="face")
    assert Code.FACE_NOT_SWEPT not in job.codes()


def test_the_page_shows_first_what_must_be_done_and_no_button():
    job = Job()
    job.sweep()
    text = job.client().get(job.url).content.decode()
    assert "Sweep it as left, or say that it was not touched." in text
    assert "Sign and close" not in text
    assert "It was not measured in this visit." in text


def test_a_shared_tablet_asks_for_the_pin_again():
    job = Job()
    job.sweep()
    job.untouched()
    client = job.tablet()
    page = client.get(job.url)
    assert "Your PIN, once more" in page.content.decode()
    seen = {**carried(page), "made_for": str(job.by.pk)}
    assert client.post(job.url, seen).status_code == 422
    wrong = client.post(job.url, {**seen, "pin": "9061"})
    assert (wrong.status_code, job.state()) == (422, "open")
    assert "That is not the PIN" in wrong.content.decode()
    assert client.post(job.url, {**seen, "pin": PIN}).status_code == 302
    assert Signature.objects.get().proof == "pin"


def test_anothers_pin_signs_nothing():
    job = Job()
    Person.objects.filter(pk=job.other.pk).update(pin_hash=make_password("5083"))
    job.sweep()
    job.untouched()
    client = job.tablet()
    seen = {**carried(client.get(job.url)), "made_for": str(job.by.pk)}
    assert client.post(job.url, {**seen, "pin": "5083"}).status_code == 422
    assert job.state() == "open"


@pytest.mark.parametrize(
    ("wants", "on_tablet", "asked"),
    [
        ("shared", True, "PIN"),
        ("shared", False, None),
        ("always", True, "PIN"),
        ("always", False, "password"),
        ("never", True, None),
        ("never", False, None),
    ],
)
def test_the_plant_says_when_it_is_asked(wants, on_tablet, asked):
    job = Job(sign_proof=wants)
    job.sweep()
    job.untouched()
    text = (job.tablet() if on_tablet else job.client()).get(job.url).content.decode()
    assert [word for word in ("PIN", "password") if f"Your {word}, once more" in text] == ([asked] if asked else [])


def test_wrong_passwords_at_a_signature_are_counted_like_at_the_sign_in():
    job = Job(sign_proof="always")
    job.sweep()
    job.untouched()
    client = job.client()
    seen = carried(client.get(job.url))
    said = [client.post(job.url, {**seen, "password": "wrong"}).status_code for _ in range(5)]
    assert said == [422, 422, 422, 422, 429]
    assert client.post(job.url, {**seen, "password": factories.PASSWORD}).status_code == 429
    assert job.state() == "open"
    assert AuditEvent.objects.filter(action="locked out after wrong passwords").exists()


def test_the_right_password_signs():
    job = Job(sign_proof="always")
    job.sweep()
    job.untouched()
    client = job.client()
    seen = carried(client.get(job.url))
    assert client.post(job.url, {**seen, "password": factories.PASSWORD}).status_code == 302
    assert Signature.objects.get().proof == "password"


def test_what_is_signed_or_dropped_is_not_signed_again():
    job = Job()
    job.sweep()
    job.untouched()
    seen = carried(job.client().get(job.url))
    visits.drop_visit(by=job.other, visit=job.visit, why="wrong machine", at=timezone.now())
    answer = job.client().post(job.url, seen)
    assert answer.status_code == 422
    assert "was dropped already" in answer.content.decode()


def test_names_changed_later_change_no_signed_page():
    job = Job()
    job.sweep()
    job.move(by=job.by)
    job.sweep("as_left")
    visits.sign_visit(by=job.by, visit=job.visit, at=timezone.now())
    client, paths = (
        job.client(job.other),
        (f"/visits/{job.visit.pk}/", f"/visits/{job.visit.pk}/stations/{job.station.pk}/"),
    )
    before = [names_in(client.get(path), job) for path in paths]
    assert all(before)
    Person.objects.filter(pk=job.by.pk).update(first_name="Renamed", last_name="Later", role="viewer")
    for row in (job.machine, job.machine.line, job.station):
        type(row).objects.filter(pk=row.pk).update(name=f"New name {row.pk}")
    for path, names in zip(paths, before, strict=True):
        text = client.get(path).content.decode()
        assert "Renamed" not in text
        assert "New name" not in text
        assert names_in(client.get(path), job) == names
    assert "Ana" in client.get(paths[0]).content.decode()
    assert ", mechanic," in client.get(paths[0]).content.decode()
    assert "signed by Renamed" not in client.get(f"/machines/{job.machine.pk}/").content.decode()


def names_in(page, job):
    text = page.content.decode()
    return sorted({word for word in (job.by.first_name, job.machine.name, job.station.name) if word in text})
