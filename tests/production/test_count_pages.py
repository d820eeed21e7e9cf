"""The pages of counts: what is typed is stored or refused in a sentence beside its field; never a 500."""

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linelog.production import listing
from linelog.production.models import CountChange, DayCount, ShiftCount
from linelog.production.services import counts
from linelog.production.services.counts import Numbers
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent
from tests.production.helpers import HEADING, NOW, WORDS, stored, typed

pytestmark = pytest.mark.django_db


def test_a_shift_is_entered_and_summed(site, quality):
    answer = quality.post("/counts/enter/", typed(site))
    assert (answer.status_code, answer["Location"]) == (302, "/counts/")
    count = ShiftCount.objects.get()
    assert (count.cans, count.by_cause, count.minutes_down) == (100000, {"SPLIT": 7}, 12.5)
    assert DayCount.objects.get().spoiled == 320
    assert b"100\xe2\x80\xaf000" in quality.get("/counts/").content
    assert AuditEvent.objects.filter(object_type="shiftcount", action="entered").exists()


def test_the_same_form_sent_twice_is_stored_once(site, quality):
    for _ in range(2):
        assert quality.post("/counts/enter/", typed(site, key="one")).status_code == 302
    assert ShiftCount.objects.count() == 1


BAD = [
    ({"cans": "abc"}, "cans", "no whole number"),
    ({"cans": "-5"}, "cans", "below zero"),
    ({"cans": "NaN"}, "cans", "no whole number"),
    ({"cans": "inf"}, "cans", "no whole number"),
    ({"cans": "1e308"}, "cans", "no whole number"),
    ({"cans": "9" * 400}, "cans", "no whole number"),
    ({"cans": "5000001"}, "cans", "in one shift"),
    ({"cans": ""}, "cans", "Give a number"),
    ({"jams": "0.5"}, "jams", "no whole number"),
    ({"minutes_down": "nan"}, "minutes_down", "not a number"),
    ({"minutes_down": "1e308"}, "minutes_down", "not a number"),
    ({"minutes_down": "1441"}, "minutes_down", "no more than 1440"),
    ({"minutes_down": "-1"}, "minutes_down", "below zero"),
    ({"spoiled": "6"}, "spoiled", "add up to 7"),
    ({"cans": "10"}, "more_spoiled", "tick this"),
    ({"day": "2031-01-01"}, "day", "not come yet"),
    ({"day": "0001-01-01"}, "day", "before 1980"),
    ({"day": "2026-02-30"}, "day", "not a date"),
    ({"machine": "999999"}, "machine", "no such machine"),
    ({"machine": "x"}, "machine", "no such machine"),
    ({"shift": ""}, "shift", "Choose a shift"),
]


@pytest.mark.parametrize(("wrong", "field", "sentence"), BAD)
def test_what_cannot_be_is_refused_beside_its_field(site, quality, wrong, field, sentence):
    answer = quality.post("/counts/enter/", typed(site, **wrong))
    assert answer.status_code == 422
    assert any(sentence in error for error in answer.context["form"].errors[field])
    assert sentence in answer.content.decode().replace("&#x27;", "'")
    assert ShiftCount.objects.count() == DayCount.objects.count() == 0


def test_more_spoiled_than_good_is_stored_once_it_is_confirmed(site, quality):
    assert quality.post("/counts/enter/", typed(site, cans="0", more_spoiled="on")).status_code == 302
    assert ShiftCount.objects.get().cans == 0


def test_zero_cans_and_nothing_spoiled_is_a_shift_too(site, quality):
    nothing = dict.fromkeys(("cans", "spoiled", "tear_offs", "short_cans", "jams", "minutes_down"), "0")
    first = f"cause_{site.causes[0].pk}"
    assert quality.post("/counts/enter/", typed(site, **nothing, **{first: "0"})).status_code == 302


def test_a_shift_that_is_counted_already_is_not_entered_again(site, quality):
    stored(site)
    answer = quality.post("/counts/enter/", typed(site))
    assert (answer.status_code, "counted already" in answer.content.decode()) == (422, True)
    assert ShiftCount.objects.get().cans == 1000


def test_today_by_the_plants_clock_is_not_the_future(site):
    """At 01:00 in Berlin the production day that began at 06:00 is still yesterday's."""
    night = dt.datetime(2026, 6, 14, 23, 0, tzinfo=dt.UTC)
    args = {"by": site.quality, "at": night, "machine": site.one, "shift": site.shifts["C"], "numbers": Numbers(1, 0)}
    with pytest.raises(Refused, match="not come yet"):
        counts.enter(day=dt.date(2026, 6, 15), **args)
    assert counts.enter(day=dt.date(2026, 6, 14), **args).pk


def test_a_correction_replaces_with_its_history(site, quality):
    count = stored(site)
    answer = quality.post(f"/counts/{count.pk}/correct/", typed(site, version=1, cans="999"))
    assert answer.status_code == 302
    count.refresh_from_db()
    assert (count.cans, count.version, DayCount.objects.get().cans) == (999, 2, 999)
    change = CountChange.objects.get()
    assert (change.before["cans"], change.after["cans"], change.by) == (1000, 999, site.quality)
    page = quality.get(f"/counts/{count.pk}/").content.decode()
    assert "Good cans: 1\u202f000 → 999" in page
    assert "Good cans: 1\u202f000 → 999" in quality.get("/counts/changes/").content.decode()


def test_a_correction_that_changes_nothing_leaves_no_trace(site, quality):
    count = stored(site)
    same = {"cans": "1000", "spoiled": "10", "tear_offs": "0", "short_cans": "0", "jams": "0", "minutes_down": "0"}
    quality.post(f"/counts/{count.pk}/correct/", {**same, "version": 1})
    assert (CountChange.objects.count(), ShiftCount.objects.get().version) == (0, 1)


def test_of_two_people_correcting_the_second_sees_both_and_loses_nothing(site, quality):
    count = stored(site)
    counts.correct(by=site.quality, at=NOW, count=count, numbers=Numbers(555, 5), version=1)
    answer = quality.post(f"/counts/{count.pk}/correct/", typed(site, version=1, cans="777"))
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "555 good" in page
    assert 'value="777"' in page
    assert ShiftCount.objects.get().cans == 555
    # Sent again as it now stands, the second person's numbers replace the first one's, which are kept.
    assert quality.post(f"/counts/{count.pk}/correct/", typed(site, version=2, cans="777")).status_code == 302
    assert ShiftCount.objects.get().cans == 777
    assert CountChange.objects.count() == 2


def test_a_shift_is_taken_out_with_its_sum_and_kept_in_the_history(site, quality):
    count = stored(site)
    other = stored(site, shift=site.shifts["B"])
    quality.post(f"/counts/{count.pk}/take-out/", {"version": "1"})
    assert DayCount.objects.get().cans == other.cans
    assert CountChange.objects.get().after is None
    assert "Taken out. It said:" in quality.get("/counts/changes/").content.decode()
    quality.post(f"/counts/{other.pk}/take-out/", {"version": "1"})
    assert DayCount.objects.count() == 0


@pytest.mark.parametrize("version", ["", "x", "-1", "²", "7"])
def test_a_stale_or_odd_version_takes_nothing_out(site, quality, version):
    count = stored(site)
    assert quality.post(f"/counts/{count.pk}/take-out/", {"version": version}).status_code in {409, 422}
    assert ShiftCount.objects.count() == 1


def test_a_viewer_looks_but_does_not_touch(site, client):
    count = stored(site)
    client.force_login(site.viewer)
    page = client.get(f"/counts/{count.pk}/").content.decode()
    assert "Correct it" not in page
    assert "Enter a shift" not in client.get("/counts/").content.decode()
    assert client.post(f"/counts/{count.pk}/correct/", typed(site, version=1)).status_code == 403
    assert client.post("/counts/causes/add/", {"code": "X", "name": "Y"}).status_code == 403
    assert ShiftCount.objects.get().cans == 1000


def test_the_list_is_narrowed_by_line_machine_and_span(site, quality):
    for day in range(1, 5):
        stored(site, day=dt.date(2026, 3, day))
    assert len(quality.get("/counts/").context["rows"]) == 4
    assert len(quality.get("/counts/", {"since": "2026-03-02", "until": "2026-03-03"}).context["rows"]) == 2
    assert quality.get("/counts/", {"machine": site.two.pk}).context["rows"] == []
    assert len(quality.get("/counts/", {"line": site.line.pk}).context["rows"]) == 4
    part = quality.get("/counts/", {"since": "2026-03-04"}, HTTP_HX_REQUEST="true").content.decode()
    assert part.strip().startswith('<section id="list">')


@pytest.mark.parametrize(
    "query",
    [
        {"since": "x"},
        {"since": "2026-03-02", "until": "2026-03-01"},
        {"machine": "x"},
        {"line": "99999999999999999999"},
    ],
)
def test_a_choice_that_cannot_be_is_told(site, quality, query):
    assert quality.get("/counts/", query).status_code == 422
    assert quality.get("/counts/export.csv", query).status_code == 422


@pytest.mark.parametrize("number", ["0", "-1", "x", "9" * 40, "²", ""])
def test_an_odd_page_number_is_the_first_or_an_empty_one(site, quality, number):
    stored(site)
    assert quality.get("/counts/", {"page": number}).status_code == 200


def test_pages_follow_each_other_without_gap(site, quality, monkeypatch):
    monkeypatch.setattr(listing, "PAGE", 3)
    for day in range(1, 8):
        stored(site, day=dt.date(2026, 3, day))
    seen = [count.day.day for page in "123" for count in quality.get("/counts/", {"page": page}).context["rows"]]
    assert seen == [7, 6, 5, 4, 3, 2, 1]


def test_a_list_asks_the_database_as_often_for_ten_rows_as_for_forty(site, quality):
    def queries():
        with CaptureQueriesContext(
            connection,
        ) as seen:
            quality.get("/counts/")
        return len(seen)

    for day in range(1, 4):
        stored(site, day=dt.date(2026, 2, day))
    few = queries()
    for day in range(4, 28):
        stored(site, day=dt.date(2026, 2, day))
    assert queries() == few


def test_the_export_is_of_the_choice_and_disarms_text_only(site, quality):
    site.one.name = "-1"
    site.one.save()
    stored(site, minutes_down=7.5)
    stored(site, day=dt.date(2026, 3, 2))
    answer = quality.get("/counts/export.csv", {"until": "2026-03-01"})
    lines = b"".join(answer.streaming_content).decode("utf-8-sig").splitlines()
    assert lines == [HEADING + ",spoiled:DENT,spoiled:SPLIT", "'-1,2026-03-01,A,1000,10,0,0,0,7.5,0,0"]


@given(
    st.dictionaries(st.sampled_from(["machine", "day", "shift", "cans", "spoiled", "jams", "minutes_down"]), WORDS)
)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_typed_into_the_form_gets_an_answer(site, quality, given_words):
    answer = quality.post("/counts/enter/", typed(site, **given_words))
    assert answer.status_code in {302, 422}
