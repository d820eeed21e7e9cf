"""The pages of counts: what is typed is stored or refused in a sentence beside its field; never a 500."""

import datetime as dt
import io

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from linelog.production import listing
from linelog.production.models import CountChange, DayCount, Event, ShiftCount, SpoilageCause, Upload
from linelog.production.services import causes, counts
from linelog.production.services.counts import Numbers
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.production.helpers import HEADING, Site, as_file, row, table, workbook

pytestmark = pytest.mark.django_db
NOW = factories.NOW


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def quality(site, client):
    client.force_login(site.quality)
    return client


def typed(site, **more):
    """A shift as a person types it."""
    first, second = site.causes
    return {
        "machine": site.one.pk, "day": "2026-03-01", "shift": site.shifts["A"].pk, "cans": "100 000",
        "spoiled": "320", f"cause_{first.pk}": "7", f"cause_{second.pk}": "", "tear_offs": "4", "short_cans": "5",
        "jams": "1", "minutes_down": "12,5", **more,
    }  # fmt: skip


def stored(site, **more):
    day, shift = more.pop("day", dt.date(2026, 3, 1)), more.pop("shift", site.shifts["A"])
    numbers = Numbers(**{"cans": 1000, "spoiled": 10, **more})
    return counts.enter(by=site.quality, at=NOW, machine=site.one, day=day, shift=shift, numbers=numbers)


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


# Causes.
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


# Events.
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


# Files.
def test_a_file_is_sent_looked_at_and_stored(site, quality):
    answer = quality.post("/counts/uploads/", {"file": as_file(table(row(), row("BM 9")), "März.csv")}, follow=True)
    page = answer.content.decode()
    assert "no such machine in this plant" in page
    assert ShiftCount.objects.count() == 0
    upload = Upload.objects.get()
    assert upload.name == "März.csv"
    refused = quality.post(f"/counts/uploads/{upload.pk}/store/")
    assert (refused.status_code, "bad rows are left out" in refused.content.decode()) == (422, True)
    done = quality.post(f"/counts/uploads/{upload.pk}/store/", {"without_bad": "on"}, follow=True)
    assert "1 rows new" in done.content.decode()
    assert "1 bad rows were left out" in done.content.decode()
    kept = b"".join(quality.get(f"/counts/uploads/{upload.pk}/original/").streaming_content)
    assert kept == table(row(), row("BM 9"))


def test_all_bad_rows_are_to_be_had_as_a_table_with_formulas_disarmed(site, quality):
    rows = [
        row("=cmd|' /C calc'!A0", dt.date(2026, 1, 1) + dt.timedelta(days=i % 60), "ABC"[i % 3]) for i in range(250)
    ]
    quality.post("/counts/uploads/", {"file": as_file(table(*rows))})
    upload = Upload.objects.get()
    assert len(upload.problems) == 200
    got = b"".join(quality.get(f"/counts/uploads/{upload.pk}/bad-rows.csv").streaming_content).decode("utf-8-sig")
    lines = got.splitlines()
    assert len(lines) == 251
    assert lines[0] == "line,column,value,why"
    assert lines[1].startswith("2,machine,'=cmd")
    assert "The first 200 findings" in quality.get(f"/counts/uploads/{upload.pk}/").content.decode()


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02", b"hello", b"a" * 300_000])
def test_what_is_no_table_is_told_on_the_page(site, quality, content):
    answer = quality.post("/counts/uploads/", {"file": as_file(content)}, follow=True)
    assert answer.status_code in {200, 422}
    assert ShiftCount.objects.count() == 0


def test_the_page_of_files_begins_without_a_complaint(site, quality):
    answer = quality.get("/counts/uploads/")
    assert (answer.status_code, answer.context["form"].is_bound) == (200, False)


def test_no_file_at_all_and_one_that_is_too_large(site, quality, settings):
    assert "Choose a file" in quality.post("/counts/uploads/").content.decode()
    settings.UPLOAD_LIMIT_BYTES = 100
    answer = quality.post("/counts/uploads/", {"file": as_file(b"x" * 101)})
    assert (answer.status_code, "is the most" in answer.content.decode()) == (422, True)


def test_content_decides_not_the_name(site, quality):
    rows = [HEADING.split(","), ["BM 1", dt.date(2026, 3, 1), "A", 1, 0, 0, 0, 0, 0]]
    quality.post("/counts/uploads/", {"file": as_file(workbook(rows), "counts.csv")})
    quality.post("/counts/uploads/", {"file": as_file(table(row()), "counts.xlsx")})
    assert [upload.new_rows for upload in Upload.objects.all()] == [1, 1]


def test_the_question_about_dates_is_asked_and_answered_on_the_page(site, quality):
    quality.post("/counts/uploads/", {"file": as_file(table(row(date="03/04/2026")))})
    address = f"/counts/uploads/{Upload.objects.get().pk}/"
    assert "Day first: 03/04/2026 is 3 April" in quality.get(address).content.decode()
    assert quality.post(f"{address}read-again/", {"date_order": "x"}).status_code == 422
    assert "New" in quality.post(f"{address}read-again/", {"date_order": "dmy"}, follow=True).content.decode()
    quality.post(f"{address}store/")
    assert ShiftCount.objects.get().day == dt.date(2026, 4, 3)


def test_a_file_of_another_plant_is_not_there(site, quality, client):
    quality.post("/counts/uploads/", {"file": as_file(table(row()))})
    upload = Upload.objects.get()
    client.force_login(factories.person("manager"))
    for part in ("", "original/", "bad-rows.csv"):
        assert client.get(f"/counts/uploads/{upload.pk}/{part}").status_code == 404
    for part in ("store/", "read-again/", "cancel/"):
        assert client.post(f"/counts/uploads/{upload.pk}/{part}").status_code == 404


def test_the_page_follows_the_work_and_stops_asking_when_it_is_over(site, quality, monkeypatch):
    monkeypatch.setattr("linelog.production.services.uploads.SMALL_BYTES", 0)
    quality.post("/counts/uploads/", {"file": as_file(table(row()))})
    upload = Upload.objects.get()
    address = f"/counts/uploads/{upload.pk}/"
    assert 'hx-trigger="every 1s"' in quality.get(address, HTTP_HX_REQUEST="true").content.decode()
    from linelog.production import tasks

    tasks.read.func(upload.job_id)
    part = quality.get(address, HTTP_HX_REQUEST="true").content.decode()
    assert "every 1s" not in part
    assert part.strip().startswith('<section id="state"')
    assert "Read, not stored" in part


def test_templates_name_the_plants_own_causes_and_can_be_read_back(site, quality):
    heading = [*HEADING.split(","), "spoiled:DENT", "spoiled:SPLIT"]
    assert quality.get("/counts/uploads/template.csv").content.decode("utf-8-sig").strip() == ",".join(heading)
    book = load_workbook(io.BytesIO(quality.get("/counts/uploads/template.xlsx").content))
    assert [cell.value for cell in book.active[1]] == heading
    assert quality.get("/counts/uploads/template.pdf").status_code == 404


def test_the_export_is_of_the_choice_and_disarms_text_only(site, quality):
    site.one.name = "-1"
    site.one.save()
    stored(site, minutes_down=7.5)
    stored(site, day=dt.date(2026, 3, 2))
    answer = quality.get("/counts/export.csv", {"until": "2026-03-01"})
    lines = b"".join(answer.streaming_content).decode("utf-8-sig").splitlines()
    assert lines == [HEADING + ",spoiled:DENT,spoiled:SPLIT", "'-1,2026-03-01,A,1000,10,0,0,0,7.5,0,0"]


def test_an_administrator_of_no_plant_says_which_plant_a_file_is_for(site, client):
    client.force_login(factories.person("administrator"))
    assert client.post("/counts/uploads/", {"file": as_file(table(row()))}).status_code == 422
    client.post("/counts/uploads/", {"file": as_file(table(row())), "plant": site.plant.pk})
    assert Upload.objects.get().plant == site.plant
    assert client.post("/counts/causes/add/", {"code": "X", "name": "Y", "plant": site.plant.pk}).status_code == 302
    assert client.post("/counts/enter/", typed(site)).status_code == 302


# Anything typed at all.
words = st.one_of(
    st.text(max_size=12), st.sampled_from(["0", "5", "-1", "1e308", "NaN", "٣", "5,5", "2026-03-01", "\x00"])
)


@given(
    st.dictionaries(st.sampled_from(["machine", "day", "shift", "cans", "spoiled", "jams", "minutes_down"]), words)
)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_typed_into_the_form_gets_an_answer(site, quality, given_words):
    answer = quality.post("/counts/enter/", typed(site, **given_words))
    assert answer.status_code in {302, 422}


@given(words, words, words, words)
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


@given(st.binary(max_size=200), st.text(st.characters(exclude_characters="/\\"), max_size=30))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_file_is_sent_gets_an_answer(site, quality, content, name):
    file = as_file(table(row()) + content, f"x{name}")
    answer = quality.post("/counts/uploads/", {"file": file}, follow=True)
    assert answer.status_code in {200, 422}
    assert Upload.objects.filter(state="checking").count() == 0
