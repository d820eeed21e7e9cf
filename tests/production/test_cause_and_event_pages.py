"""The pages of causes of spoilage and of events: what is typed is stored or refused in a sentence; never a 500."""

import datetime as dt

import pytest
from django.urls import reverse
from hypothesis import HealthCheck, given, settings

from linelog.production.models import Event, ShiftCount, SpoilageCause
from linelog.production.services import causes
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent
from tests.production.helpers import NOW, WORDS, stored

pytestmark = pytest.mark.django_db


def test_a_cause_is_added_renamed_recoded_and_taken_out(site, quality):
    assert quality.post("/counts/causes/add/", {"code": "WRINKLE", "name": "Wrinkled"}).status_code == 302
    first = site.causes[0]
    stored(site, by_cause={"SPLIT": 3, "DENT": 1})
    assert quality.post(f"/counts/causes/{first.pk}/", {"code": "CRACK", "name": "Cracked dome"}).status_code == 302
    assert ShiftCount.objects.get().by_cause == {"DENT": 1, "CRACK": 3}
    assert quality.post(f"/counts/causes/{first.pk}/take-out/").status_code == 422
    wrinkle = SpoilageCause.objects.get(code="WRINKLE")
    assert quality.post(f"/counts/causes/{wrinkle.pk}/take-out/").status_code == 302
    assert not SpoilageCause.objects.filter(code="WRINKLE").exists()


@pytest.mark.parametrize("code", ["", "a b", "é", "x" * 21, "a,b", ":", "dent", "Split", "\x00"])
def test_a_code_that_could_not_head_a_column_or_is_taken_is_refused(site, quality, code):
    assert quality.post("/counts/causes/add/", {"code": code, "name": "Name"}).status_code == 422
    assert SpoilageCause.objects.count() == 2


def test_a_code_on_very_many_shifts_stays(site, monkeypatch):
    monkeypatch.setattr(causes, "MOST_RECODED", 1)
    for day in (1, 2):
        stored(site, day=dt.date(2026, 3, day), by_cause={"SPLIT": 1})
    with pytest.raises(Refused, match="its name can change"):
        causes.change(by=site.quality, at=NOW, cause=site.causes[0], code="CRACK", name="Crack")
    assert ShiftCount.objects.filter(by_cause__SPLIT=1).count() == 2


def event(site, **more):
    return {"machine": site.one.pk, "happened_at": "2026-03-01T10:30", "kind": "crash", "note": "Two cups.", **more}


def test_an_event_is_noted_at_the_plants_time_and_taken_out(site, quality):
    assert quality.post("/counts/events/add/", event(site)).status_code == 302
    noted = Event.objects.get()
    assert noted.at == dt.datetime(2026, 3, 1, 9, 30, tzinfo=dt.UTC)  # Berlin is an hour ahead in winter
    assert "2026-03-01 10:30" in quality.get("/counts/events/").content.decode()
    assert quality.post(f"/counts/events/{noted.pk}/take-out/").status_code == 302
    assert Event.objects.count() == 0
    assert AuditEvent.objects.filter(object_type="event", action="took out").exists()


@pytest.mark.parametrize(
    "wrong",
    [
        {"happened_at": "2031-01-01T00:00"},
        {"happened_at": "0001-01-01T00:00"},
        {"happened_at": "9999-12-31T23:59"},
        {"happened_at": "2026-03-29T02:30"},  # the clock jumped over this half hour in Berlin
        {"happened_at": "x"},
        {"kind": "x"},
        {"machine": ""},
        {"note": "x" * 201},
    ],
)
def test_an_event_that_cannot_be_is_refused(site, quality, wrong):
    assert quality.post("/counts/events/add/", event(site, **wrong)).status_code == 422
    assert Event.objects.count() == 0


@given(WORDS, WORDS, WORDS, WORDS)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_typed_about_an_event_or_a_cause_or_a_choice_gets_an_answer(site, quality, one, two, three, four):
    for address, content in (
        ("/counts/events/add/", event(site, happened_at=one, kind=two, note=three, key=four)),
        ("/counts/causes/add/", {"code": one, "name": two}),
        (f"/counts/causes/{site.causes[1].pk}/", {"code": one, "name": two}),
    ):
        assert quality.post(address, content).status_code in {302, 422}
    choice = {"line": one, "machine": two, "since": three, "until": four, "page": one}
    for name in ("counts", "changes", "events"):
        assert quality.get(reverse(f"production:{name}"), choice).status_code in {200, 422}
