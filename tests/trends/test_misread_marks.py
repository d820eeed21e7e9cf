"""Misread marks and marks of several machines: on invented plants of known truth, and on the pages."""

import datetime as dt

import numpy as np
import pytest

from linelog.calc.units import Unit
from linelog.plant.models import MarkAssignment
from linelog.production.made import Told
from linelog.production.models import DayCount
from linelog.reports import complaint
from linelog.reports.paper import Reader
from linelog.trends.queries.bearers import bearers_of, traced
from linelog.trends.queries.findings import with_traces
from linelog.trends.queries.mark_evidence import evidence_for
from linelog.trends.tracing import Leads
from tests import factories
from tests.bench.bench_trace import FOUND, Tally, tally
from tests.bench.misread_marks import MAKERS

TODAY = factories.NOW.date()  # 15 June 2026
SEEDS = range(100, 101)  # a tenth of what the bench runs, and other plants than it does


@pytest.fixture(scope="module", params=sorted(MAKERS))
def came_of_it(request):
    tallied = Tally()
    for seed in SEEDS:
        tally(MAKERS[request.param](np.random.default_rng([seed, 12]), FOUND), tallied)
    return tallied


class TestPlantsOfKnownTruth:
    def test_one_and_wrong_and_none_are_rare(self, came_of_it):
        wrong = 100.0 * sum(came_of_it.typed[key] for key in ("ONE, not named", "ONE, named")) / came_of_it.cans
        none = 100.0 * came_of_it.typed["none"] / came_of_it.cans
        assert wrong > 1.0  # what a mark taken at its word comes to: the plants are hard enough to tell
        assert none > 6.0
        assert came_of_it.share("ONE, not named", "ONE, named") < 1.0
        assert came_of_it.share("none") < 6.0

    def test_the_true_machine_is_among_those_named_and_mostly_first(self, came_of_it):
        missing = [name for name in came_of_it.odds if name.endswith("not named")]
        assert came_of_it.share(*missing, "none") < 3.0
        first, others = came_of_it.share("MISREAD, first"), came_of_it.share("MISREAD, named", "MISREAD, not named")
        assert first / (first + others) > 0.35  # of 24 machines, where the mark typed is none of theirs

    def test_what_is_said_of_chances_holds(self, came_of_it):
        said = np.array([chance for chance, _ in came_of_it.said])
        true = np.array([is_true for _, is_true in came_of_it.said])
        for low, high in ((0.0, 0.1), (0.1, 0.5), (0.9, 1.01)):
            of = (said >= low) & (said < high)
            assert of.sum() > 50
            assert true[of].mean() == pytest.approx(said[of].mean(), abs=0.06)


@pytest.fixture
def site(db):
    plant = factories.plant(misread_percent=20.0)
    factories.finding_lists(plant)
    plant.line = factories.line(plant, name="Line 1")
    plant.by = factories.person("quality", plant)
    return plant


def machine(site, name, mark, starts=dt.date(2026, 1, 1), ends=None, cans=400_000):
    made = factories.machine(site.line, name=name)
    MarkAssignment.objects.create(machine=made, mark=mark, starts_on=starts, ends_on=ends)
    for back in range(30):
        DayCount.objects.create(machine=made, day=TODAY - dt.timedelta(days=back), cans=cans)
    return made


def finding(site, mark, back=5, code="DOME-OFF", **more):
    told = Told(TODAY, TODAY - dt.timedelta(days=back))
    return factories.finding(site, site.by, told=told, mark=mark, code=site.defect_codes.get(code=code), **more)


def led(found):
    bearers = bearers_of(found.plant_id)
    return traced(found, bearers, evidence_for(found.plant, [found], bearers))


def names(traced_):
    return [(one.bearing.machine, one.fits) for one in traced_.likely.offered]


class TestOdds:
    def test_a_mark_that_is_none_is_offered_as_its_lookalike(self, site):
        machine(site, "BM 1", "16")
        machine(site, "BM 2", "27")
        found = led(finding(site, "18"))
        assert (found.leads, found.machine_id) == (Leads.MISREAD, None)
        assert found.sentence.startswith("“18” is no mark that any machine is known to have carried")
        assert names(found)[0] == ("BM 1", False)
        assert found.likely.offered[0].chance > 0.8
        assert found.likely.thin.startswith("Thin: it rests on 0 like findings only")

    def test_a_missing_digit_is_offered(self, site):
        machine(site, "BM 1", "16")
        machine(site, "BM 2", "27")
        assert names(led(finding(site, "7")))[0] == ("BM 2", False)

    def test_a_mark_that_fits_stands_first_and_its_lookalike_is_named_beside_it(self, site):
        machine(site, "BM 1", "6")
        machine(site, "BM 2", "8")
        found = led(finding(site, "6"))
        assert (found.leads, found.machine) == (Leads.LIKELY, "BM 1")
        assert names(found) == [("BM 1", True), ("BM 2", False)]

    def test_a_mark_that_fits_a_machine_that_stood_is_said_to_be_unlikely(self, site):
        stood = machine(site, "BM 1", "6")
        machine(site, "BM 2", "8")
        DayCount.objects.filter(machine=stood, day=TODAY - dt.timedelta(days=5)).update(cans=0)
        for back in (4, 6):
            DayCount.objects.filter(machine=stood, day=TODAY - dt.timedelta(days=back)).update(cans=0)
        found = led(finding(site, "6"))
        assert (found.leads, found.machine_id) == (Leads.SEVERAL, None)
        assert names(found) == [("BM 1", True), ("BM 2", False)]
        assert found.likely.offered[1].chance > found.likely.offered[0].chance
        assert found.doubts[0].startswith("BM 1 made no cans that day by its counts: the mark, or its day, is rather")

    def test_a_mark_out_of_use_that_day_and_its_lookalike_are_both_weighed(self, site):
        machine(site, "BM 1", "6", ends=TODAY - dt.timedelta(days=8))
        machine(site, "BM 2", "8")
        found = led(finding(site, "6", back=5))
        assert found.leads is Leads.MISREAD
        off = {one.bearing.machine: one.days_off for one in found.likely.offered}
        assert off == {"BM 1": 3, "BM 2": 0}

    def test_of_several_the_one_with_the_like_findings_comes_first(self, site):
        machine(site, "BM 1", "9", starts=dt.date(2025, 1, 1))
        often = machine(site, "BM 2", "9")
        for back in range(6, 18):
            finding(site, "", back=back, machine=often)
        found = led(finding(site, "9"))
        assert found.leads is Leads.SEVERAL
        assert names(found) == [("BM 2", True), ("BM 1", True)]
        first = found.likely.offered[0]
        assert (first.like, first.like_of_all, first.share) == (12, 12, "12 of 12 (100 %)")
        assert found.likely.thin == ""
        assert led(finding(site, "9", code="HOLE")).likely.thin  # another defect says nothing of this one

    def test_the_newest_fit_counts_as_often_as_it_was_the_true_one(self, site):
        machine(site, "BM 1", "9", starts=dt.date(2025, 1, 1))
        newest = machine(site, "BM 2", "9")
        before = led(finding(site, "9", code="HOLE")).likely.offered
        for back in range(6, 16):
            finding(site, "9", back=back, machine=newest)
        after = led(finding(site, "9", code="HOLE")).likely
        assert before[0].chance == pytest.approx(before[1].chance)
        assert after.offered[0].bearing.machine == "BM 2"
        assert after.offered[0].chance == pytest.approx(11 / 12, abs=0.02)
        assert any("it was the newest fit in 10 of 10" in line for line in after.rests_on)

    def test_a_machine_that_was_given_is_not_weighed(self, site):
        known = machine(site, "BM 1", "6")
        machine(site, "BM 2", "8")
        found = led(finding(site, "8", machine=known))
        assert (found.leads, found.machine, found.likely) == (Leads.ONE, "BM 1", None)

    def test_a_plant_without_counts_and_lookalikes_is_weighed_all_the_same(self, site):
        site.mark_lookalikes, site.misread_percent = "", 0.0
        site.save()
        MarkAssignment.objects.create(
            machine=factories.machine(site.line, name="BM 1"), mark="6", starts_on=dt.date(2026, 1, 1)
        )
        assert led(finding(site, "6")).leads is Leads.ONE
        assert led(finding(site, "")).leads is Leads.NONE


class TestPages:
    def test_the_page_shows_the_odds_and_leads_to_each(self, site, signed_in):
        one, other = machine(site, "BM 1", "6"), machine(site, "BM 2", "8")
        found = finding(site, "6")
        client = signed_in(site.by)
        page = client.get(f"/findings/{found.pk}/").content.decode()
        assert "Most likely BM 1" in page
        assert f"?machine={other.pk}&amp;days=14" in page
        as_if = client.get(f"/findings/{found.pk}/", {"machine": other.pk}).content.decode()
        assert "as if it came from BM 2" in as_if
        form = client.get(f"/findings/{found.pk}/correct/", {"machine": other.pk}).content.decode()
        assert f'<option value="{other.pk}" selected>' in form
        assert "most likely" in client.get("/findings/").content.decode()
        assert f"/machines/{one.pk}/findings/" in client.get("/findings/").content.decode()

    def test_the_list_and_the_page_agree(self, site):
        machine(site, "BM 1", "6")
        machine(site, "BM 2", "8")
        found = [finding(site, mark) for mark in ("6", "8", "3", "?", "")]
        assert [row.traced.leads for row in with_traces(found)] == [led(one).leads for one in found]

    def test_a_list_strewn_over_years_is_weighed_without_rates(self, site):
        machine(site, "BM 1", "6", starts=dt.date(2024, 1, 1))
        machine(site, "BM 2", "8", starts=dt.date(2024, 1, 1))
        found = [finding(site, "6", back=back) for back in (5, 300)]
        assert [row.traced.leads for row in with_traces(found)] == [Leads.LIKELY, Leads.LIKELY]
        assert all(row.traced.likely.thin for row in with_traces(found))

    def test_the_number_of_queries_does_not_grow_with_the_list(self, site, django_assert_num_queries):
        machine(site, "BM 1", "6")
        found = [finding(site, "6", back=back) for back in range(8)]
        with django_assert_num_queries(4):
            with_traces(found[:1])
        with django_assert_num_queries(4):
            with_traces(found)

    def test_the_complaint_report_tells_the_odds(self, site):
        machine(site, "BM 1", "16")
        told = complaint.read(finding(site, "18", complaint="C-1"), Reader(site, Unit.MM, factories.NOW))
        assert any(line.startswith("Odds: BM 1, mark 16") for line in told["doubts"])
