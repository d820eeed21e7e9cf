"""The reports as PDF, read back: what stands on them, in whose unit and by whose clock, and who may have them."""

import datetime as dt
import io

import pypdf
import pytest
from django.core.files.base import ContentFile
from django.test import Client
from django.utils import timezone
from PIL import Image

from linelog.calc.money import CostRates, cost_of
from linelog.production import weeks
from linelog.production.models import DayCount, FindingPhoto
from linelog.production.queries import machine_totals
from linelog.trends.state.outlook import coming
from linelog.trends.state.todo import todo
from linelog.web import audit, protection
from linelog.web.templatetags.units import count
from tests import factories
from tests.reports import filled as made
from tests.trends import invented

pytestmark = pytest.mark.django_db
WEEK = dt.timedelta(days=7)


@pytest.fixture(scope="module")
def world(kept_by_the_module):
    return made.filled()


def client_of(person):
    found = Client()
    found.force_login(person)
    return found


def read(person, url, **query):
    answer = client_of(person).get(url, query)
    assert answer.status_code == 200, answer.content.decode()
    assert answer["Content-Type"] == "application/pdf"
    return pypdf.PdfReader(io.BytesIO(answer.content))


def text_of(pdf):
    return " ".join("\n".join(page.extract_text() for page in pdf.pages).split())


class TestWeekly:
    @pytest.fixture
    def monday(self):
        return weeks.monday(factories.today()) - WEEK

    def test_says_what_is_out_what_was_done_what_it_cost_and_what_comes(self, world, monday, db):
        begins = weeks.begins(world.plant, monday)
        with protection.lifted():
            visit = invented.history(
                world.machine, world.person("mechanic"), 1, until=begins + dt.timedelta(days=15)
            )[0]
        state = coming(world.plant, weeks.USUAL, at=timezone.now()).machines[world.machine.pk]
        told = text_of(read(world.person("manager"), "/reports/weekly.pdf"))
        assert f"Week {monday:%V of %G}: {monday} to {monday + dt.timedelta(days=6)}" in told
        assert state.is_out, "the invented stations wander out"
        assert todo(state).short.split(":")[0] in told
        signed = visit.signed_at.astimezone(weeks.begins(world.plant, monday).tzinfo)
        assert f"{world.machine} ({world.line}) {signed:%Y-%m-%d %H:%M} Routine check" in told
        assert "Planned for week 25" in told, "the open entry of the plan"

    def test_its_cost_is_the_counts_at_the_plants_own_rates(self, world, monday):
        own = [world.machine.pk]
        totals = machine_totals(own, monday, monday + dt.timedelta(days=6))[world.machine.pk]
        plant = world.plant
        rates = CostRates(plant.can_cost, plant.tear_off_clear_minutes, plant.minute_value)
        cost = cost_of(totals.spoiled, totals.tear_offs, rates).total
        told = text_of(read(world.person("manager"), "/reports/weekly.pdf", line=world.line.pk, week=monday))
        row = f"{world.machine} ({world.line}) {count(totals.made)} {count(totals.spoiled)}"
        assert " ".join(row.split()) in told
        assert " ".join(count(round(cost)).split()) in told
        assert f"Spoiled cans at {plant.can_cost:g} EUR" in told

    def test_many_machines_stay_on_one_page_and_it_says_how_many_are_left_out(self, world, db):
        for number in range(40):
            factories.machine(world.line, name=f"Long name of machine {number}")
        pdf = read(world.person("viewer"), "/reports/weekly.pdf", paper="letter")
        assert len(pdf.pages) == 1
        assert "machines more" in text_of(pdf)
        assert pdf.pages[0].mediabox.width == pytest.approx(612, abs=1), "Letter is 8.5 in wide"

    @pytest.mark.parametrize(
        ("query", "sentence"),
        [
            ({"week": "soon"}, "A day of the week: This is not a date of the calendar."),
            ({"week": "2099-01-01"}, "This week has not begun yet."),
            ({"line": "999999"}, "Line: There is no such line in your plant."),
            ({"paper": "a0"}, "Paper: Choose A4 or Letter."),
        ],
    )
    def test_what_cannot_be_given_is_refused_in_a_sentence(self, world, query, sentence):
        answer = client_of(world.person("manager")).get("/reports/weekly.pdf", query)
        assert answer.status_code == 422
        assert sentence in answer.content.decode()


class TestComplaint:
    @pytest.fixture
    def finding(self, world, settings, tmp_path, db):
        settings.MEDIA_ROOT = tmp_path
        said = {"complaint": "C-2026-041", "customer_reference": "QN 88", "containment": "Two pallets held."}
        quality = world.person("quality")
        found = factories.finding(
            world.plant, quality, mark="7", code=world.code, place=world.place, quantity=14, **said
        )
        day = factories.NOW.date()
        DayCount.objects.create(machine=world.machine, day=day, cans=410_000, spoiled=1_234)
        with protection.lifted():
            invented.history(world.machine, world.person("mechanic"), 2, until=factories.NOW, every=10)
        return found

    def test_says_all_of_it(self, world, finding):
        told = text_of(read(world.person("quality"), f"/reports/complaints/{finding.pk}.pdf"))
        for said in (
            "Complaint C-2026-041",
            "Status: contained",
            "QN 88",
            "OFF Dome off centre, 14 cans",
            f"Mark 7 was on {world.machine}",
            "2026-06-15 00:00 to 2026-06-16 00:00",  # Berlin's day
            "Containment Two pallets held.",
            "Cause not written down",
            "Domer",
        ):
            assert said in told
        assert " ".join(count(411_234).split()) in told, "cans begun on that production day"

    def test_reads_in_the_units_of_its_reader(self, world, finding):
        reader = factories.person("quality", world.plant, unit="inch")
        pdf = read(reader, f"/reports/complaints/{finding.pk}.pdf")
        assert "Static offsets from the ram line, in in." in text_of(pdf)
        assert f"Domer out when running {world.station.limit_um / 25_400:.4f}" in text_of(pdf)
        assert pdf.pages[0].mediabox.width == pytest.approx(612, abs=1), "who reads inches prints on Letter"

    def test_shows_the_photo(self, world, finding):
        picture = io.BytesIO()
        Image.new("RGB", (64, 48), (200, 30, 30)).save(picture, "JPEG")
        more = {"sha256": "1" * 64, "width": 64, "height": 48, "by": world.person("quality"), "at": factories.NOW}
        FindingPhoto.objects.create(finding=finding, file=ContentFile(picture.getvalue(), "it.jpg"), **more)
        (image,) = read(world.person("quality"), f"/reports/complaints/{finding.pk}.pdf").pages[0].images
        assert image.image.size == (64, 48)

    def test_a_finding_without_a_complaint_and_one_of_another_plant_have_none(self, world, finding):
        assert (
            client_of(world.person("quality")).get(f"/reports/complaints/{world.finding.pk}.pdf").status_code == 404
        )
        elsewhere = client_of(factories.person("manager"))
        assert elsewhere.get(f"/reports/complaints/{finding.pk}.pdf").status_code == 404

    def test_text_is_no_markup(self, world, finding):
        type(finding).objects.filter(pk=finding.pk).update(cause='#panic("x") *bold* = head $x$ "', complaint="#1")
        told = text_of(read(world.person("quality"), f"/reports/complaints/{finding.pk}.pdf"))
        assert 'Cause #panic("x") *bold* = head $x$ "' in told
        assert "Complaint #1" in told


class TestAudit:
    def test_holds_visits_instruments_people_and_changes(self, world, db):
        quality, visit = world.person("quality"), world.visits[0]
        day = visit.opened_at.date()
        said = {"before": {"note": "old"}, "after": {"note": "new"}}
        audit.record(
            by=quality, action="changed", obj=world.machine, at=visit.opened_at, plant_id=world.plant.pk, **said
        )
        span = {"since": day - dt.timedelta(days=1), "until": day + dt.timedelta(days=1)}
        told = text_of(read(quality, "/reports/audit.pdf", **span))
        assert "Visits opened 1 Open 0 Signed 1 Dropped 0" in told
        assert f"{visit.pk} {world.machine} ({world.line})" in told
        assert "@dial 1 0.010 mm -0.004" in told.replace("−", "-")
        mechanic = world.person("mechanic")
        assert f"{mechanic} mechanic today 1 1 4 1" in told
        assert f"{quality} changed {world.machine}" in told
        assert "note: old → new" in told

    def test_is_for_those_who_may_read_the_history(self, world):
        mechanic = client_of(world.person("mechanic"))
        assert mechanic.get("/reports/audit.pdf", {"since": "2026-01-01", "until": "2026-01-31"}).status_code == 403
        assert "Audit pack" not in mechanic.get("/reports/").content.decode()
        assert "Audit pack" in client_of(world.person("quality")).get("/reports/").content.decode()

    def test_its_days_must_be_given_and_be_days(self, world):
        client = client_of(world.person("quality"))
        for query, sentence in (
            ({}, "From: This field is required."),
            ({"since": "2026-13-01", "until": "2026-01-31"}, "From: This is not a date of the calendar."),
            ({"since": "2026-02-01", "until": "2026-01-31"}, "To: The span ends before it begins."),
        ):
            answer = client.get("/reports/audit.pdf", query)
            assert (answer.status_code, sentence in answer.content.decode()) == (422, True)


def test_the_page_lists_open_complaints_first(world, db):
    quality = world.person("quality")
    facts = {"code": world.code, "place": world.place}
    factories.finding(world.plant, quality, complaint="C-done", complaint_closed_on=factories.today(), **facts)
    factories.finding(world.plant, quality, complaint="C-open", **facts)
    page = client_of(quality).get("/reports/").content.decode()
    assert page.index("C-open") < page.index("C-done")
