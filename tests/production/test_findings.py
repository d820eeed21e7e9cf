"""Findings: what is typed is stored as typed and as read, once under its key, corrected with its history."""

import datetime as dt
import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, transaction
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from linelog.plant.models import DefectCode, Symptom
from linelog.plant.services import site as plants
from linelog.plant.symptoms import CODES
from linelog.production.made import Told, made
from linelog.production.models import Finding, FindingPhoto
from linelog.production.services import findings
from linelog.production.services.findings import Facts
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.models import AuditEvent
from tests import factories

pytestmark = pytest.mark.django_db
NOW = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
TODAY = NOW.date()


@pytest.fixture
def site(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    plant = factories.plant(date_code="year-digit day-of-year shift")
    factories.finding_lists(plant)
    plant.one = factories.machine(factories.line(plant, name="Line 1"), name="BM 1", mark="7")
    plant.by = factories.person("quality", plant)
    return plant


def facts(site, **more):
    told = Told(more.pop("found_on", TODAY), more.pop("made_on", None), more.pop("made_time", None),
                more.pop("date_code", ""))  # fmt: skip
    given = {"place": site.finding_places.get(name="Bench"), "code": site.defect_codes.get(code="DOME-OFF")}
    return Facts(**{**given, "quantity": 3, "told": told, "mark": "7", **more})


def enter(site, **more):
    keys = {name: more.pop(name) for name in ("key", "photo") if name in more}
    return findings.enter(by=site.by, at=NOW, plant=site, facts=facts(site, **more), **keys)


class TestMade:
    def test_the_day_found_is_taken_for_want_of_anything_better(self, site):
        when = made(site, Told(TODAY), NOW)
        assert (when.on, when.by) == (TODAY, Finding.MadeBy.FOUND)
        assert when.ends - when.begins == dt.timedelta(days=1)

    def test_a_time_is_of_the_plants_own_clock(self, site):
        when = made(site, Told(TODAY, TODAY, dt.time(8, 15)), NOW)
        assert when.begins == when.ends == dt.datetime(2026, 6, 15, 6, 15, tzinfo=dt.UTC)  # Berlin in summer

    def test_a_shift_of_a_code_has_its_hours_and_the_night_ends_the_next_morning(self, site):
        # 14 June 2026 is the 165th day of the year
        when = made(site, Told(TODAY, date_code="6165C"), NOW)
        assert when.on == dt.date(2026, 6, 14)
        hours = [timezone.localtime(at, dt.timezone(dt.timedelta(hours=2))) for at in (when.begins, when.ends)]
        assert [f"{at:%d %H}" for at in hours] == ["14 22", "15 06"]

    def test_a_shift_after_midnight_belongs_to_the_day_it_is_counted_under(self, site):
        site.shifts.filter(code="C").update(starts=dt.time(0))
        when = made(site, Told(TODAY, date_code="6164C"), NOW)
        assert (when.on, when.begins.astimezone(dt.timezone(dt.timedelta(hours=2))).day) == (dt.date(2026, 6, 13), 14)

    @pytest.mark.parametrize(
        ("told", "field", "sentence"),
        [
            (Told(TODAY + dt.timedelta(days=1)), "found_on", "has not come yet"),
            (Told(TODAY, TODAY + dt.timedelta(days=1)), "made_on", "has not come yet"),
            (Told(dt.date(1950, 1, 1)), "found_on", "Findings before 1980"),
            (Told(dt.date(2026, 6, 1), dt.date(2026, 6, 2)), "made_on", "before it was made"),
            (Told(TODAY, None, dt.time(8)), "made_time", "needs the day made"),
            (Told(TODAY, TODAY, dt.time(23, 59)), "made_time", "has not come yet"),
            (Told(TODAY, date_code="hello"), "date_code", "does not read as a date code"),
            (Told(TODAY, date_code="6167A"), "date_code", "has not come yet"),
            (Told(dt.date(2026, 6, 1), date_code="6153A"), "date_code", "after the day it was found"),
            (Told(TODAY, dt.date(2026, 6, 1), date_code="6153A"), "date_code", "leave one of the two out"),
        ],
    )
    def test_what_makes_no_sense_is_a_sentence_beside_its_field(self, site, told, field, sentence):
        with pytest.raises(Refused, match=sentence) as refused:
            made(site, told, NOW)
        assert refused.value.field == field

    def test_a_code_is_not_read_where_the_plant_has_not_described_it(self, site):
        site.date_code = ""
        with pytest.raises(Refused, match="not described"):
            made(site, Told(TODAY, date_code="6165C"), NOW)

    def test_the_last_hour_before_midnight_of_the_plant_is_still_its_day(self, site):
        late = dt.datetime(2026, 6, 15, 22, 30, tzinfo=dt.UTC)  # half past midnight in Berlin
        assert made(site, Told(dt.date(2026, 6, 16)), late).on == dt.date(2026, 6, 16)


class TestService:
    def test_it_is_stored_as_typed_and_as_read_with_its_history(self, site):
        finding = enter(site, date_code="6 165 c", mark="7?")
        assert (finding.date_code, finding.mark, finding.made_by) == ("6 165 c", "7?", "code")
        event = AuditEvent.objects.get(object_type="finding")
        assert (event.action, event.after["mark"], event.plant_id) == ("entered", "7?", site.pk)

    def test_sent_twice_under_its_key_it_is_one(self, site):
        assert enter(site, key="k1").pk == enter(site, key="k1").pk
        assert Finding.objects.count() == 1
        with pytest.raises(Refused, match="already sent with other content"):
            enter(site, key="k1", quantity=4)

    def test_a_correction_keeps_what_it_said_before_and_a_stale_one_is_a_conflict(self, site):
        finding = enter(site)
        who = {"by": site.by, "at": NOW, "finding": finding}
        findings.correct(**who, version=1, facts=facts(site, mark="8"))
        event = AuditEvent.objects.filter(object_type="finding").latest("pk")
        assert (event.before["mark"], event.after["mark"]) == ("7", "8")
        with pytest.raises(Conflict) as conflict:
            findings.correct(**who, version=1, facts=facts(site, mark="9"))
        assert conflict.value.theirs.mark == "8"
        with pytest.raises(Conflict):
            findings.take_out(**who, version=1)

    def test_taken_out_it_is_gone_and_the_history_keeps_it(self, site):
        finding = enter(site)
        findings.take_out(by=site.by, at=NOW, finding=finding, version=1)
        assert not Finding.objects.exists()
        assert AuditEvent.objects.get(object_type="finding", action="took out").before["quantity"] == 3
        with pytest.raises(Conflict, match="taken out"):
            findings.take_out(by=site.by, at=NOW, finding=finding, version=1)

    @pytest.mark.parametrize("role", ["viewer", "mechanic"])
    def test_who_may_not_trace_is_refused(self, site, role):
        with pytest.raises(NotAllowed):
            findings.enter(by=factories.person(role, site), at=NOW, plant=site, facts=facts(site))

    def test_another_plants_lists_and_machines_are_refused(self, site):
        other = factories.plant()
        factories.finding_lists(other)
        for more in (
            {"place": other.finding_places.first()},
            {"code": other.defect_codes.first()},
            {"machine": factories.machine(factories.line(other))},
        ):
            with pytest.raises(Refused, match="another plant"):
                enter(site, **more)
        with pytest.raises(NotAllowed):
            findings.enter(by=factories.person("quality", other), at=NOW, plant=site, facts=facts(site))

    def test_zero_cans_are_no_finding(self, site):
        with pytest.raises(Refused, match="how many cans"):
            enter(site, quantity=0)


def picture(size=(60, 40)):
    out = io.BytesIO()
    Image.new("RGB", size, "silver").save(out, "PNG")
    return SimpleUploadedFile("it.png", out.getvalue(), content_type="image/png")


class TestPages:
    @pytest.fixture
    def client(self, site, signed_in):
        return signed_in(site.by)

    def form(self, site, **more):
        now = factories.today()
        place, code = site.finding_places.get(name="Bench"), site.defect_codes.get(code="DOME-OFF")
        return {"place": place.pk, "code": code.pk, "quantity": "3", "found_on": now.isoformat(), "mark": "7", **more}

    def test_a_finding_with_a_photo_leads_to_its_machine(self, site, client):
        answer = client.post("/findings/add/", self.form(site, photo=picture(), key="k"), follow=True)
        text = answer.content.decode()
        assert "Mark 7 was on BM 1, Line 1" in text
        photo = FindingPhoto.objects.get()
        shown = client.get(f"/findings/photos/{photo.pk}/")
        assert Image.open(io.BytesIO(b"".join(shown.streaming_content))).format == "JPEG"
        again = client.post("/findings/add/", self.form(site, photo=picture(), key="k"))
        assert again.status_code == 302
        assert Finding.objects.count() == FindingPhoto.objects.count() == 1

    @pytest.mark.parametrize(
        ("typed", "sentence"),
        [
            ({"quantity": "0"}, "nothing found is no finding"),
            ({"quantity": "-4"}, "cannot be below zero"),
            ({"quantity": "x" * 9000}, "no whole number"),
            ({"code": "99999"}, "There is no such defect code here."),
            ({"place": ""}, "Say where it was found."),
            ({"found_on": "2100-01-01"}, "This day has not come yet."),
            ({"found_on": "31/02/2026"}, "not a date of the calendar"),
            ({"made_on": "2010-02-30"}, "not a date of the calendar"),
            ({"mark": "123456789"}, "At most 8 letters."),
            ({"note": "n" * 501}, "At most 500 letters."),
            ({"date_code": "zzz"}, "does not read as a date code"),
            ({"date_code": "1" * 25}, "At most 24 letters."),
            ({"made_time": "25:00"}, "Give a time of day"),
            ({"machine": "99999"}, "There is no such machine in your plant."),
        ],
    )
    def test_bad_input_is_one_sentence_at_its_field_and_nothing_is_stored(self, site, client, typed, sentence):
        answer = client.post("/findings/add/", self.form(site, **typed))
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
        assert 'class="wrong"' in answer.content.decode()
        assert not Finding.objects.exists()

    def test_what_is_no_picture_is_refused_and_nothing_is_stored(self, site, client):
        bad = SimpleUploadedFile("it.png", b"not a picture")
        answer = client.post("/findings/add/", self.form(site, photo=bad))
        assert answer.status_code == 422
        assert "not a picture that can be shown" in answer.content.decode()
        assert not Finding.objects.exists()

    def test_a_second_person_sees_both_versions(self, site, client):
        finding = enter(site, note="first")
        findings.correct(by=site.by, at=NOW, finding=finding, version=1, facts=facts(site, note="theirs", mark="8"))
        answer = client.post(f"/findings/{finding.pk}/correct/", {**self.form(site, note="mine"), "version": 1})
        text = answer.content.decode()
        assert answer.status_code == 409
        assert "theirs" in text
        assert "mine" in text
        assert client.post(f"/findings/{finding.pk}/correct/", {**self.form(site), "version": 2}).status_code == 302

    def test_photos_are_added_up_to_a_number(self, site, client):
        finding = enter(site)
        for number in range(findings.MOST_PHOTOS):
            sent = {"photo": picture((10 + number, 10))}
            assert client.post(f"/findings/{finding.pk}/photo/", sent).status_code == 302
        answer = client.post(f"/findings/{finding.pk}/photo/", {"photo": picture((99, 9))})
        assert answer.status_code == 422
        assert "8 photos at most" in answer.content.decode()

    @settings(
        max_examples=25,
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )
    @given(
        data=st.dictionaries(
            st.sampled_from(["place", "code", "quantity", "found_on", "mark", "machine", "date_code", "made_on",
                             "made_time", "note", "version", "key"]),
            st.one_of(st.sampled_from(["", "\x00", "NaN", "9" * 40, "-1", "١٢", "?" * 8, "2026-06-31"]),
                      st.text(st.characters(exclude_categories=["Cs"]), max_size=60)),
            max_size=6,
        )
    )  # fmt: skip
    def test_whatever_is_typed_is_answered(self, site, client, data):
        finding = Finding.objects.first() or enter(site)
        for address in ("/findings/add/", f"/findings/{finding.pk}/correct/"):
            answer = client.post(address, {**self.form(site), **data})
            assert answer.status_code in {302, 409, 422}
        assert client.get("/findings/", {**data, "since": data.get("made_on", "")}).status_code in {200, 422}


class TestLists:
    def test_a_new_plant_begins_with_places_codes_and_symptoms(self):
        by = factories.person("administrator")
        plant = plants.add_plant(by=by, at=NOW, name="New works", timezone="UTC")
        assert plant.finding_places.filter(name="Light tester").exists()
        rows = Symptom.objects.filter(code__plant=plant)
        # Every kind of station that a bodymaker has, and every other cause, is pointed to.
        assert set(rows.exclude(station_kind="").values_list("station_kind", flat=True)) >= {
            *("tool_pack", "redraw_sleeve", "cup_locator", "front_bushing", "rear_bushing", "domer", "stripper"),
        }
        assert set(rows.exclude(other="").values_list("other", flat=True)) >= {
            *("pressure", "metal", "lubrication", "worn_die", "earing", "coolant"),
        }

    def test_what_is_set_by_pressure_or_timing_is_looked_at_beside_alignment(self):
        # Common practice, no source: what air, oil and cams do to a can, each named where a mechanic sets it.
        set_by = {"STUCK": "Strip air", "OPEN-END": "Strip air", "PLEAT": "Hold-down", "TEAR-OFF": "Hold-down"}
        set_by |= {"DOME-SPLIT": "Dome pressure", "DOME-DEPTH": "Dome pressure and setting"}
        said = {code: words for code, _, rows in CODES for look, _, words in rows if look == "pressure"}
        assert {code: said[code].startswith(words) for code, words in set_by.items()} == dict.fromkeys(set_by, True)

    def test_the_symptom_table_is_edited_by_who_sets_up(self, site, signed_in):
        client = signed_in(factories.person("manager", site))
        code = site.defect_codes.get(code="DOME-DEPTH")
        add = f"/setup/codes/{code.pk}/symptoms/add/"
        both = client.post(add, {"station_kind": "domer", "aspect": "tilt", "other": "metal", "words": "x"})
        assert both.status_code == 422
        assert "not both" in both.content.decode()
        same = client.post(add, {"station_kind": "domer", "aspect": "tilt", "other": "", "words": "x"})
        assert "points from this code to there already" in same.content.decode()
        assert client.post(add, {"other": "metal", "words": "Soft lots sink in."}).status_code == 302
        row = code.symptoms.get(other="metal")
        change = f"/setup/symptoms/{row.pk}/"
        assert client.post(change, {"other": "coolant", "words": "w", "version": 1}).status_code == 302
        assert client.post(change, {"other": "metal", "words": "w", "version": 1}).status_code == 409
        assert client.post(change, {"remove": "1", "version": 2}).status_code == 302
        assert not code.symptoms.filter(other="metal").exists()
        assert client.get(f"/setup/plants/{site.pk}/findings/").status_code == 200

    def test_a_code_in_use_stays_and_one_that_is_not_goes_with_its_rows(self, site, signed_in):
        client = signed_in(factories.person("manager", site))
        used = enter(site).code
        answer = client.post(f"/setup/codes/{used.pk}/", {"remove": "1", "version": 1})
        assert answer.status_code == 422
        assert "can be renamed, but not removed" in answer.content.decode()
        other = site.defect_codes.get(code="PLEAT")
        client.post(f"/setup/codes/{other.pk}/", {"remove": "1", "version": 1})
        assert not DefectCode.objects.filter(pk=other.pk).exists()

    def test_a_date_code_that_makes_no_sense_is_refused_at_its_field(self, site, signed_in):
        client = signed_in(factories.person("manager", site))
        page = client.get(f"/setup/plants/{site.pk}/settings/")
        form = {name: value for name, value in page.context["form"].initial.items() if value is not None}
        form |= {"day_starts": "06:00", "date_code": "year-digit moon"}
        shown = {
            name: field.prepare_value(form[name])
            for name, field in page.context["form"].fields.items()
            if name in form
        }
        answer = client.post(
            f"/setup/plants/{site.pk}/settings/", {**form, **shown, "shaft_uncertainty_um_is": "offset"}
        )
        assert answer.status_code == 422
        assert "&#x27;moon&#x27; is no piece of a code" in answer.content.decode()


class TestComplaint:
    FOLLOWED = {"customer_reference": "QN 1", "containment": "Held.", "cause": "Cover loose.", "action": "Bolted."}

    def test_its_status_is_the_last_that_was_written_of_it(self, site):
        told, stood = {"complaint": "C-1"}, []
        for name in ("customer_reference", "containment", "cause", "action"):
            told[name] = self.FOLLOWED[name]
            stood.append(enter(site, **told).complaint_status)
        assert stood == ["open", "contained", "cause found", "action taken"]
        assert enter(site, **told, complaint_closed_on=TODAY).complaint_status == "closed"
        assert enter(site).complaint_status == ""

    def test_what_was_done_belongs_to_a_complaint(self, site):
        with pytest.raises(Refused, match="number of the complaint") as refusal:
            enter(site, cause="Cover loose.")
        assert refusal.value.field == "complaint"
        with pytest.raises(IntegrityError), transaction.atomic():
            Finding.objects.filter(pk=enter(site).pk).update(cause="Cover loose.")

    def test_the_form_keeps_every_part_and_shows_it_again(self, site, client):
        client.force_login(site.by)
        finding = enter(site, complaint="C-1")
        page = f"/findings/{finding.pk}/correct/"
        sent = {"place": finding.place_id, "code": finding.code_id, "quantity": 3, "found_on": TODAY, "version": 1}
        assert client.post(page, {**sent, "complaint": "C-1", **self.FOLLOWED}).status_code == 302
        finding.refresh_from_db()
        assert {name: getattr(finding, name) for name in self.FOLLOWED} == self.FOLLOWED
        shown, form = (client.get(url).content.decode() for url in (f"/findings/{finding.pk}/", page))
        assert all(text in shown and text in form for text in self.FOLLOWED.values())
        assert "action taken" in shown
        assert f"/findings/{finding.pk}/" in client.get("/findings/", {"text": "cover"}).content.decode()
        assert f"/findings/{finding.pk}/" not in client.get("/findings/", {"text": "no such"}).content.decode()
