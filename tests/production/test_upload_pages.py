"""The pages of files of counts: sent, looked at, stored, or refused in a sentence; never a 500."""

import datetime as dt
import io

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from linelog.production.models import ShiftCount, Upload
from tests import factories
from tests.production.helpers import HEADING, as_file, row, table, typed, workbook

pytestmark = pytest.mark.django_db


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


def test_an_administrator_of_no_plant_says_which_plant_a_file_is_for(site, client):
    client.force_login(factories.person("administrator"))
    assert client.post("/counts/uploads/", {"file": as_file(table(row()))}).status_code == 422
    client.post("/counts/uploads/", {"file": as_file(table(row())), "plant": site.plant.pk})
    assert Upload.objects.get().plant == site.plant
    assert client.post("/counts/causes/add/", {"code": "X", "name": "Y", "plant": site.plant.pk}).status_code == 302
    assert client.post("/counts/enter/", typed(site)).status_code == 302


@given(st.binary(max_size=200), st.text(st.characters(exclude_characters="/\\"), max_size=30))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_file_is_sent_gets_an_answer(site, quality, content, name):
    file = as_file(table(row()) + content, f"x{name}")
    answer = quality.post("/counts/uploads/", {"file": file}, follow=True)
    assert answer.status_code in {200, 422}
    assert Upload.objects.filter(state="checking").count() == 0
