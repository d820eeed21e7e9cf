"""What is asked before a finding is stored, and the date codes that no can carries."""

import datetime as dt

import pytest

from linelog.production.made import Told
from linelog.production.models import DayCount, Finding
from linelog.production.questions import AsksFirst
from linelog.production.services import findings
from linelog.production.services.findings import Facts
from linelog.web.errors import Refused
from tests import factories

pytestmark = pytest.mark.django_db
NOW = factories.NOW
TODAY = NOW.date()  # 15 June 2026, the 166th day of the year
DAY = dt.timedelta(days=1)


@pytest.fixture
def site():
    plant = factories.plant(date_code="year-digit day-of-year shift")
    factories.finding_lists(plant)
    plant.one = factories.machine(factories.line(plant, name="Line 1"), name="BM 1", mark="7")
    plant.by = factories.person("quality", plant)
    return plant


def enter(site, *, answered=(), by=None, at=NOW, **more):
    told = Told(more.pop("found_on", TODAY), more.pop("made_on", None), None, more.pop("date_code", "6165A"))
    given = {"place": site.finding_places.get(name="Bench"), "code": site.defect_codes.get(code="DOME-OFF")}
    facts = Facts(**{**given, "quantity": 1, "told": told, "mark": "7", **more})
    return findings.enter(by=by or site.by, at=at, plant=site, facts=facts, answered=answered)


class TestTheSame:
    def test_it_is_asked_about_whoever_types_it_and_stored_once_answered(self, site):
        first = enter(site)
        other = factories.person("quality", site)
        with pytest.raises(
            AsksFirst, match=r"mark 7, date code 6165A, made 2026-06-14\. Is this another can\?"
        ) as asks:
            enter(site, by=other, date_code="6-165 a", quantity=9)
        assert asks.value.question.same == first
        assert Finding.objects.count() == 1
        second = enter(site, by=other, answered=[asks.value.question.mark])
        with pytest.raises(AsksFirst) as again:  # an answer holds for the finding that was shown and no other
            enter(site, answered=[asks.value.question.mark])
        assert again.value.question.same == second

    @pytest.mark.parametrize(
        "other", [{"mark": "8"}, {"date_code": "6165B"}, {"date_code": "6164A"}, {"date_code": "", "made_on": TODAY}]
    )
    def test_another_can_is_not_asked_about(self, site, other):
        enter(site)
        enter(site, **other)
        enter(site, place=site.finding_places.get(name="Washer"))
        enter(site, code=site.defect_codes.get(code="HOLE"))
        assert Finding.objects.count() == 4

    def test_found_two_days_later_it_is_another_and_one_day_later_asked(self, site):
        enter(site, found_on=TODAY - DAY)
        with pytest.raises(AsksFirst):
            enter(site, found_on=TODAY)
        enter(site, found_on=TODAY + DAY, at=NOW + DAY)

    def test_who_has_nobody_to_ask_is_not_asked(self, site):
        enter(site)
        enter(site, answered=None)
        assert Finding.objects.count() == 2

    def test_the_page_asks_once_with_two_ways_on_and_keeps_what_was_typed(self, site, client):
        client.force_login(site.by)
        first = enter(site, found_on=factories.today(), date_code="", at=dt.datetime.now(dt.UTC))
        sent = {
            "place": first.place_id,
            "code": first.code_id,
            "quantity": 4,
            "found_on": factories.today(),
            "mark": "7",
        }
        answer = client.post("/findings/add/", {**sent, "note": "Seen at noon."})
        text = answer.content.decode()
        assert answer.status_code == 422
        assert "Is this another can?" in text
        assert "It&#x27;s another can" in text
        assert f'href="/findings/{first.pk}/">It\'s the same: open it' in text
        assert "Seen at noon." in text
        assert client.post("/findings/add/", {**sent, "answered": f"same:{first.pk}"}).status_code == 302
        assert Finding.objects.count() == 2


class TestTheDay:
    def count(self, site, **cans):
        for back, made in cans.items():
            DayCount.objects.create(machine=site.one, day=TODAY - int(back[1:]) * DAY, cans=made)

    def test_a_day_on_which_the_line_made_nothing_is_asked_about(self, site):
        self.count(site, d0=1000, d1=0, d2=1000)
        with pytest.raises(AsksFirst, match=r"By its counts Line 1 made no cans on 2026-06-14\.") as asks:
            enter(site)
        assert asks.value.question.same is None
        assert enter(site, answered=[asks.value.question.mark]).pk
        assert enter(site, date_code="6164A").pk  # a day on which it made some

    def test_a_day_that_is_not_counted_yet_is_not(self, site):
        self.count(site, d2=1000, d3=1000)
        assert enter(site).pk
        assert enter(site, date_code="", mark="").pk

    def test_the_line_is_the_one_that_bore_the_mark(self, site):
        other = factories.machine(factories.line(site, name="Line 2"), name="BM 2", mark="9")
        self.count(site, d0=1000, d2=1000)
        for back in (0, 1, 2):
            DayCount.objects.create(machine=other, day=TODAY - back * DAY, cans=1000)
        assert enter(site, mark="9").pk
        assert enter(site, mark="77").pk  # of no known machine: one of the lines ran
        with pytest.raises(AsksFirst, match="Line 1 made no cans"):
            enter(site)
        with pytest.raises(AsksFirst, match="Line 1 made no cans"):
            enter(site, mark="", machine=site.one)

    def test_a_shift_after_midnight_is_counted_under_the_day_before(self, site):
        site.shifts.filter(code="C").update(starts=dt.time(0))
        self.count(site, d0=1000, d1=0, d2=1000)
        assert enter(site, date_code="6164C").pk  # after midnight of the 14th, and of the production day before


class TestImpossible:
    @pytest.mark.parametrize(
        ("code", "sentence"),
        [
            ("6167A", "has not come yet"),
            ("5100A", r"more than 365 days before it was found"),
            ("7001A", r"reads 2017-01-01, more than 365 days"),
            ("6366A", "does not have"),
        ],
    )
    def test_a_code_that_no_can_carries_is_refused_where_it_was_typed(self, site, code, sentence):
        site.oldest_can_days = 365
        with pytest.raises(Refused, match=sentence) as refusal:
            enter(site, date_code=code)
        assert refusal.value.field == "date_code"
        assert Finding.objects.count() == 0

    def test_a_code_before_the_first_record_of_the_plant_or_the_machine_is_refused(self, site):
        site.one.marks.update(starts_on=dt.date(2026, 3, 1))
        young = factories.machine(site.one.line, name="BM 9")
        DayCount.objects.create(machine=young, day=dt.date(2026, 5, 1), cans=5)
        with pytest.raises(Refused, match=r"before the first record of Plant \d+ \(2026-03-01\)") as refusal:
            enter(site, date_code="6059A")  # 28 February
        assert refusal.value.field == "date_code"
        assert enter(site, date_code="6060A").pk
        with pytest.raises(Refused, match=r"before the first record of BM 9 \(2026-05-01\)"):
            enter(site, date_code="6060A", machine=young)
        assert enter(site, date_code="", made_on=dt.date(2026, 2, 1)).pk  # the day that a person gives is theirs

    def test_a_correction_is_held_to_the_same(self, site):
        finding = enter(site)
        told = Told(TODAY, date_code="4200A")
        facts = Facts(finding.place, finding.code, 1, told)
        with pytest.raises(Refused, match="before the first record"):
            findings.correct(by=site.by, at=NOW, finding=finding, version=1, facts=facts)
