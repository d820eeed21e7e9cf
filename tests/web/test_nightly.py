"""The night's work: offered once by the worker's own beat, seen on /health, and never a record taken away."""

import datetime as dt

import pytest
from axes.models import AccessAttempt
from django.apps import apps
from django.contrib.sessions.models import Session
from django.core.files.base import ContentFile
from django_tasks_db.models import DBTaskResult

from linelog.production.models import Upload
from linelog.trends.models import Fit
from linelog.web import health, nightly, protection, tidy
from linelog.web.models import AuditEvent, Job, NightlyRun, PinTries, WriteKey
from tests import factories
from tests.alignment.test_signed_protected import signed
from tests.world import World

pytestmark = pytest.mark.django_db
NIGHT = dt.datetime(2026, 6, 15, 0, 30, tzinfo=dt.UTC)  # half past two in Berlin


def at(hours):
    return NIGHT + dt.timedelta(hours=hours)


def begin(night):
    """A plant that has had a night before gets this one."""
    nightly.offer_due(night - dt.timedelta(days=1))
    assert len(nightly.offer_due(night)) == 1


def quiet(done, **more):
    """Nobody listens."""


def test_it_is_offered_once_a_night_at_the_plants_own_time():
    berlin, chicago = factories.plant(timezone="Europe/Berlin"), factories.plant(timezone="America/Chicago")
    assert nightly.offer_due(at(-0.1)) == [], "new plants begin with their next night"
    assert nightly.offer_due(at(-0.01)) == []
    assert nightly.offer_due(at(0)) == [berlin.pk]
    assert nightly.offer_due(at(6.9)) == []
    assert nightly.offer_due(at(7)) == [chicago.pk]
    assert nightly.offer_due(at(23.9)) == []
    assert set(nightly.offer_due(at(72))) == {berlin.pk, chicago.pk}, "nights slept through are caught up with, once"
    assert DBTaskResult.objects.count() == Job.objects.filter(kind=nightly.KIND).count() == 4


def test_the_workers_own_beat_offers_it():
    from linelog.web.management.commands import worker

    plant = factories.plant()
    worker._beat()
    NightlyRun.objects.update(night=dt.date(2026, 1, 1))
    worker._beat()
    worker._beat()
    assert list(Job.objects.values_list("plant_id", "kind")) == [(plant.pk, nightly.KIND)]


def test_it_refits_the_evidence_and_its_end_is_seen_on_health(client):
    plant = World(plant=factories.plant()).machine.line.plant
    begin(at(0))
    assert health.night(at(1)).says == "has not run to its end yet"
    nightly.nightly.call(Job.objects.get(kind=nightly.KIND).pk)
    assert Job.objects.get(kind=nightly.KIND).state == "done"
    assert Fit.objects.filter(plant=plant).exists()
    run = NightlyRun.objects.exclude(ended_at=None).get()
    assert health.night(run.ended_at).says == f"last run {run.ended_at:%Y-%m-%dT%H:%MZ}"
    assert "last run" in client.get("/health").json()["nightly"]["says"]
    assert not health.night(run.ended_at + dt.timedelta(hours=37)).ok
    assert AuditEvent.objects.filter(action="did the nightly work").exists()


def test_a_part_that_breaks_is_named_and_the_others_are_done(monkeypatch):
    did = []
    parts = {"one": lambda plant, now, tell: 1 / 0, "two": lambda plant, now, tell: did.append(plant) or "done"}
    monkeypatch.setattr(nightly, "_parts", parts)
    plant = factories.plant()
    begin(at(0))
    nightly.nightly.call(Job.objects.get().pk)
    job = Job.objects.get()
    assert did == [plant]
    assert (job.state, job.message) == ("failed", "Not everything of the night was done; it broke in: one.")
    assert not NightlyRun.objects.exclude(ended_at=None).exists()
    assert not health.night(at(37)).ok


def test_every_kind_goes_after_the_plants_own_period_and_not_before():
    plant = factories.plant(keep_working_days=10, keep_sign_ins_days=20)
    by, old = factories.person("mechanic", plant), NIGHT - dt.timedelta(days=10, minutes=1)
    WriteKey.objects.create(actor_id=by.pk, key="old", digest="d", at=old)
    WriteKey.objects.create(actor_id=by.pk, key="new", digest="d", at=old + dt.timedelta(minutes=2))
    WriteKey.objects.create(actor_id=factories.person().pk, key="another plant's", digest="d", at=old)
    Session.objects.create(session_key="over", session_data="", expire_date=NIGHT - dt.timedelta(seconds=1))
    Session.objects.create(session_key="open", session_data="", expire_date=NIGHT + dt.timedelta(seconds=1))
    for key, ended in (("old", old), ("new", NIGHT)):
        Job.objects.create(kind=key, plant_id=plant.pk, state="done", created_at=old, ended_at=ended)
    Job.objects.create(kind="waiting", plant_id=plant.pk, created_at=old)
    PinTries.objects.create(person_id=by.pk, tablet_id=1, failed_at=old)
    for days in (19, 21):
        AccessAttempt.objects.create(username=f"x{days}", ip_address="127.0.0.1", failures_since_start=1)
        last = AccessAttempt.objects.latest("pk")
        AccessAttempt.objects.filter(pk=last.pk).update(attempt_time=NIGHT - dt.timedelta(days=days))
    tidy.tidy(plant, NIGHT, quiet)
    assert sorted(WriteKey.objects.values_list("key", flat=True)) == ["another plant's", "new"]
    assert list(Session.objects.values_list("session_key", flat=True)) == ["open"]
    assert sorted(Job.objects.values_list("kind", flat=True)) == ["new", "waiting"]
    assert not PinTries.objects.exists()
    # Another plant keeps its sign-ins for 180 days, and what belongs to no plant is kept for the longest.
    assert AccessAttempt.objects.count() == 2
    type(plant).objects.update(keep_sign_ins_days=20)
    tidy.tidy(plant, NIGHT, quiet)
    assert AccessAttempt.objects.count() == 1


def test_files_of_old_uploads_go_and_the_row_stays(client, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    world = World(plant=factories.plant(keep_uploads_days=30))
    by = world.person("quality")
    facts = {"plant": world.plant, "by": by, "name": "counts.csv", "sha256": "0" * 64, "size": 1, "state": "stored"}
    rows = []
    for age in (29, 31):
        row = Upload(at=NIGHT - dt.timedelta(days=age), **facts)
        row.file.save("it.counts", ContentFile(b"x"))
        rows.append(row)
    nightly._parts["old uploads"](world.plant, NIGHT, quiet)
    new, old = (Upload.objects.get(pk=row.pk) for row in rows)
    assert new.file.storage.exists(new.file.name)
    assert (old.file.name, old.state) == ("", "stored")
    assert len([path for path in tmp_path.rglob("*") if path.is_file()]) == 1
    client.force_login(by)
    assert client.get(f"/counts/uploads/{old.pk}/").status_code == 200
    assert client.get(f"/counts/uploads/{old.pk}/original/").status_code == 404


def test_nothing_signed_is_ever_taken_away():
    """Fifty years later, with the shortest periods: every kept row, count and file of the log stands as it was."""
    visit, _ = signed()
    plant = visit.machine.line.plant
    type(plant).objects.filter(pk=plant.pk).update(keep_working_days=7, keep_sign_ins_days=7, keep_uploads_days=7)
    job = Job.objects.create(kind="capture", plant_id=plant.pk, state="done", created_at=NIGHT, ended_at=NIGHT)
    with protection.lifted():
        visit.captures.update(job=job)
    before = everything()
    nightly._parts["tidied up"](type(plant).objects.get(pk=plant.pk), NIGHT + dt.timedelta(days=365 * 50), quiet)
    assert everything() == before
    assert Job.objects.filter(pk=job.pk).exists(), "a signed capture speaks of it"


def everything():
    labels = ("alignment", "plant", "production", "planning", "trends")
    models = [model for label in labels for model in apps.get_app_config(label).get_models()]
    return {model._meta.db_table: list(model._default_manager.order_by("pk").values()) for model in models}
