"""From a finding to its machine and back: by marks with their days, and what the record of that time says."""

import datetime as dt

import pytest

from linelog.plant.models import Fitting, MarkAssignment, ToolingSet
from linelog.production.made import Told
from linelog.production.models import DayCount, Event
from linelog.production.services import walls
from linelog.production.walls import Can, Ring
from linelog.trends.look import where_to_look
from linelog.trends.queries.bearers import asked_of, bearers_of
from linelog.trends.queries.findings import alike, count_words
from linelog.trends.queries.then import read_log
from linelog.trends.then import then
from linelog.trends.tracing import Leads, led_to, trace
from tests import factories
from tests.trends import invented

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]
TODAY = factories.NOW.date()  # 15 June 2026


def day(text):
    return dt.date.fromisoformat(text)


@pytest.fixture
def site():
    plant = factories.plant()
    factories.finding_lists(plant)
    plant.line = factories.line(plant, name="Line 1")
    plant.by = factories.person("quality", plant)
    plant.mechanic = factories.person("mechanic", plant)
    return plant


def machine(site, name, *marks):
    made = factories.machine(site.line, name=name)
    for mark, starts, ends in marks:
        MarkAssignment.objects.create(
            machine=made, mark=mark, starts_on=day(starts), ends_on=day(ends) if ends else None
        )
    return made


def finding(site, mark="", on="2026-06-10", code="DOME-OFF", **more):
    told = Told(max(day(on), TODAY), day(on))
    return factories.finding(site, site.by, told=told, mark=mark, code=site.defect_codes.get(code=code), **more)


def leads(site, mark, on, **more):
    asked, bearers = asked_of(finding(site, mark, on, **more)), bearers_of(site.pk)
    found = trace(asked, bearers)
    assert led_to(asked, bearers) == found.machine_id  # the short way must lead where the long one does
    return found


class TestMarks:
    def test_the_mark_leads_to_who_bore_it_that_day_and_not_to_who_bears_it_now(self, site):
        machine(site, "BM 3", ("K4", "2026-01-01", "2026-03-31"))
        machine(site, "BM 5", ("K4", "2026-04-01", None))
        then_, now = leads(site, "k4", "2026-03-31"), leads(site, "K4", "2026-04-01")
        assert (then_.machine, now.machine) == ("BM 3", "BM 5")
        assert then_.sentence == "Mark K4 was on BM 3, Line 1, on 2026-03-31 (from 2026-01-01 to 2026-03-31)."
        assert [row.machine for row in now.history] == ["BM 3", "BM 5"]

    def test_a_mark_on_two_machines_that_day_is_said_so_with_both_and_their_days(self, site):
        machine(site, "BM 3", ("9", "2026-01-01", "2026-05-20"))
        machine(site, "BM 5", ("9", "2026-05-20", None))
        found = leads(site, "9", "2026-05-20")
        assert found.leads is Leads.SEVERAL
        assert found.machine_id is None
        assert found.sentence == (
            "Mark 9 was on 2 machines on 2026-05-20: BM 3 (mark 9 from 2026-01-01 to 2026-05-20) and "
            "BM 5 (mark 9 from 2026-05-20 on). The mark alone does not tell them apart."
        )
        assert leads(site, "9", "2026-05-19").machine == "BM 3"
        assert leads(site, "9", "2026-05-21").machine == "BM 5"

    def test_two_marks_on_one_machine_that_day_are_said_so(self, site):
        machine(site, "BM 5", ("11", "2026-01-01", None), ("9", "2026-05-20", None))
        assert leads(site, "9", "2026-05-19").leads is Leads.NONE
        both = leads(site, "9", "2026-05-20")
        assert both.machine == "BM 5"
        assert both.doubts == (
            "BM 5 carried mark 11 that day as well (from 2026-01-01 on): look for findings under both.",
        )
        assert leads(site, "11", "2026-05-19").doubts == ()

    def test_a_date_before_the_mark_existed_and_a_gap_and_a_stranger_are_each_a_sentence(self, site):
        machine(site, "BM 3", ("9", "2026-02-01", "2026-03-01"))
        machine(site, "BM 5", ("9", "2026-04-01", None))
        before = leads(site, "9", "2026-01-31").sentence
        assert before.startswith("On 2026-01-31 no machine carried mark 9 yet: the first was BM 3, from 2026-02-01")
        gap = leads(site, "9", "2026-03-15").sentence
        assert gap == (
            "No machine carried mark 9 on 2026-03-15; it was on BM 3 from 2026-02-01 to 2026-03-01 and "
            "BM 5 from 2026-04-01 on."
        )
        assert leads(site, "77", "2026-03-15").sentence.startswith("“77” is no mark that any machine is known")
        assert leads(site, "", "2026-03-15").sentence == "No mark and no machine is given, so it leads to none."

    def test_a_mark_that_cannot_be_read_in_full_has_candidates(self, site):
        machine(site, "BM 1", ("1", "2026-01-01", None))
        machine(site, "BM 2", ("12", "2026-01-01", None))
        machine(site, "BM 3", ("13", "2026-03-01", None))
        early, late = leads(site, "1?", "2026-02-01"), leads(site, "1?", "2026-03-01")
        assert early.machine == "BM 2"
        assert "Of all marks of 2026-02-01 only 12 fits “1?”" in early.sentence
        assert [one.machine for one in late.candidates] == ["BM 2", "BM 3"]
        assert leads(site, "?3", "2026-03-01").machine == "BM 3"
        assert leads(site, ".3", "2026-03-01").leads is Leads.NONE  # a point is a point

    def test_a_machine_that_was_known_is_taken_and_a_mark_that_disagrees_is_said(self, site):
        machine(site, "BM 3", ("9", "2026-01-01", None))
        known = machine(site, "BM 5", ("8", "2026-01-01", None))
        found = leads(site, "9", "2026-05-20", machine=known)
        assert found.machine == "BM 5"
        assert found.doubts == ("Mark 9 was on BM 3 that day, not on BM 5: one of the two is wrong.",)
        assert leads(site, "8", "2026-05-20", machine=known).doubts == ()
        assert leads(site, "", "2026-05-20", machine=known).doubts == ()

    def test_marks_of_another_plant_lead_nowhere(self, site):
        factories.machine(mark="Q")
        assert leads(site, "Q", "2026-05-20").leads is Leads.NONE


class TestRecord:
    @pytest.fixture
    def bm(self, site):
        made = machine(site, "BM 4", ("4", "2025-01-01", None))
        made.domer = made.stations.get(kind="domer")
        made.pack = made.stations.get(kind="tool_pack")
        return made

    def visit(self, site, bm, on, found, left=(2.0, 0.0), **more):
        """A signed visit that measured the domer; its other stations were not looked at."""
        at = dt.datetime.combine(day(on), dt.time(8), tzinfo=dt.UTC)
        visit = invented.signed_visit(bm, site.mechanic, at)
        rows = [
            invented.result(visit, bm.domer, "as_found", found),
            invented.result(visit, bm.domer, "as_left", left),
        ]
        invented.store(rows)
        return visit

    def read(self, site, bm, **more):
        found = finding(site, "4", **more)
        return found, then(read_log(bm, found.made_on, found.made_from, found.made_to), site)

    def test_what_was_mounted_that_day_and_not_before_or_after(self, site, bm):
        for name, begins, ends in (("Set A", "2026-01-01", "2026-06-01"), ("Set B", "2026-06-01", None)):
            at = [dt.datetime.combine(day(one), dt.time(6), tzinfo=dt.UTC) if one else None for one in (begins, ends)]
            tools = ToolingSet.objects.create(plant=site, name=name)
            Fitting.objects.create(tooling_set=tools, machine=bm, fitted_at=at[0], removed_at=at[1])
        sets = {on: [one.name for one in self.read(site, bm, on=on)[1].log.tools]
                for on in ("2026-05-31", "2026-06-01", "2026-06-02")}  # fmt: skip
        assert sets == {"2026-05-31": ["Set A"], "2026-06-01": ["Set A", "Set B"], "2026-06-02": ["Set B"]}

    def test_the_stations_as_the_visit_before_left_them_and_the_next_found_them(self, site, bm):
        before = self.visit(site, bm, "2026-05-01", (45.0, 0.0))
        after = self.visit(site, bm, "2026-06-12", (60.0, 0.0))
        record = self.read(site, bm)[1]
        assert (record.log.visits[0], record.log.after) == (before, after)
        domer = next(one for one in record.stood if one.station == bm.domer)
        assert (domer.before.stage, domer.before.radial_um, domer.before.verdict) == ("as_left", 2.0, "in")
        assert (domer.after.stage, domer.after.radial_um, domer.after.verdict) == ("as_found", 60.0, "out")
        assert domer.word == "out"
        assert [one.place for one in record.off] == ["Domer"]
        pack = next(one for one in record.stood if one.station == bm.pack)
        assert pack.word == "not measured"

    def test_the_rates_of_the_week_against_the_half_year_before_are_exact(self, site, bm):
        # The conditional interval of a ratio of two Poisson rates (Przyborowski & Wilenski 1940): Clopper-Pearson on
        # the share, worked out here from the beta distribution and not by the program's own function.
        from scipy import stats

        for back in range(4, 186):
            DayCount.objects.create(
                machine=bm, day=day("2026-06-10") - dt.timedelta(days=back), cans=100_000, tear_offs=1
            )
        DayCount.objects.create(machine=bm, day=day("2026-06-10"), cans=1_000_000, tear_offs=30)
        tear_offs = self.read(site, bm)[1].rates[0]
        low = stats.beta.ppf(0.025, 30, 183)
        high = stats.beta.ppf(0.975, 31, 182)
        assert tear_offs.ratio.ratio == pytest.approx(30 / 10.0)
        assert tear_offs.ratio.low == pytest.approx(low / (1 - low) * 18.2)
        assert tear_offs.ratio.high == pytest.approx(high / (1 - high) * 18.2)
        assert tear_offs.word == "higher"

    def test_no_visit_no_counts_and_no_tools_are_an_empty_record(self, site, bm):
        record = self.read(site, bm)[1]
        assert (record.log.visits, record.log.after, record.rates, record.log.tools) == ((), None, (), ())
        assert {one.word for one in record.stood} == {"not measured"}

    def test_where_to_look_is_ordered_by_the_record_and_says_why(self, site, bm):
        code = site.defect_codes.get(code="DOME-SPLIT")
        rows = list(code.symptoms.all())
        beside = ["Pressure and timing", "Lubrication", "Metal"]
        assert [row.where for row in rows] == ["Domer, off to one side", *beside]
        for on in ("2026-02-01", "2026-03-01", "2026-04-01"):
            self.visit(site, bm, on, (-60.0, -8.0))
        found, record = self.read(site, bm, code="DOME-SPLIT")
        others = alike(found, bm.pk, bearers_of(site.pk), 14)
        hints = where_to_look(rows, record, others, 20.0)
        assert hints[0].where == "Domer, off to one side"
        assert (
            "Domer: a problem that comes back, out on 3 of the last 3 visits, the same way each time."
            in hints[0].reasons
        )
        assert hints[1].reasons == ["The record says nothing for or against it."]
        # the visit after proves the domer in, and metal was changed that week: the order turns round
        self.visit(site, bm, "2026-06-12", (1.0, 0.0))
        site.repeat_out = 5
        Event.objects.create(machine=bm, at=found.made_from, kind="metal", note="Another coil lot.", by=site.by)
        record = self.read(site, bm, code="DOME-SPLIT")[1]
        hints = where_to_look(rows, record, others, 20.0)
        assert [hint.where for hint in (hints[0], hints[-1])] == ["Metal", "Domer, off to one side"]
        assert hints[0].reasons == ["Coil or metal change on BM 4, 2026-06-10: Another coil lot."]
        assert hints[-1].word == "record speaks against it"

    def test_pressure_that_was_set_speaks_for_pressure_on_that_machine_alone(self, site, bm):
        def hint_of(found, record):
            rows = list(found.code.symptoms.all())
            hints = where_to_look(rows, record, alike(found, bm.pk, bearers_of(site.pk), 14), 20.0)
            return next(hint for hint in hints if hint.where == "Pressure and timing")

        found, _ = self.read(site, bm, code="STUCK")
        at = found.made_from - dt.timedelta(days=2)
        neighbour = machine(site, "BM 5")
        Event.objects.create(machine=neighbour, at=at, kind="pressure", note="Strip air 3.2 bar.", by=site.by)
        assert hint_of(*self.read(site, bm, code="STUCK")).word == "nothing known"
        Event.objects.create(machine=bm, at=at, kind="pressure", note="Strip air 2.8 bar.", by=site.by)
        hint = hint_of(*self.read(site, bm, code="STUCK"))
        assert hint.word == "some support"
        assert hint.reasons == ["Pressure or timing set on BM 4, 2026-06-08: Strip air 2.8 bar."]

    def test_the_wall_of_the_nearest_can_speaks_for_or_against_the_tool_pack(self, site, bm):
        def gauge(on, *wall_um):
            readings = tuple((angle, um, "") for angle, um in zip((0.0, 90.0, 180.0, 270.0), wall_um, strict=True))
            at = dt.datetime.combine(day(on), dt.time(12), tzinfo=dt.UTC)
            walls.enter(by=site.by, at=at, can=Can(bm, at, "crank", 1.0, "um", (Ring(60.0, readings),)))

        def pack(found, record):
            rows = list(found.code.symptoms.filter(station_kind="tool_pack", aspect="parallel"))
            return where_to_look(rows, record, alike(found, bm.pk, bearers_of(site.pk), 14), 20.0)[0]

        gauge("2026-05-01", 80.0, 98.0, 116.0, 98.0)  # too long before
        found, record = self.read(site, bm, code="ONE-SIDE")
        assert record.log.walls == ()
        gauge("2026-06-08", 89.0, 98.0, 107.0, 98.0)  # 18 um from side to side: beyond the level to act at
        found, record = self.read(site, bm, code="ONE-SIDE")
        hint = pack(found, record)
        assert hint.word == "record speaks for it"
        wall = "The wall of the can gauged of 2026-06-08, 60 mm above the dome: act, thin toward 12 o'clock, "
        assert f"{wall}seen from the crank." in hint.reasons
        gauge("2026-06-10", 98.0, 98.0, 98.5, 98.0)
        hint = pack(*self.read(site, bm, code="ONE-SIDE"))
        assert hint.reasons == ["The wall of the can gauged of 2026-06-10, 60 mm above the dome: good."]
        assert hint.word == "record speaks against it"

    def test_the_same_defect_on_three_machines_points_to_what_they_share(self, site, bm):
        for number in (5, 6):
            machine(site, f"BM {number}", (str(number), "2025-01-01", None))
            finding(site, str(number), "2026-06-09", code="HOLE")
        found, record = self.read(site, bm, code="HOLE")
        others = alike(found, bm.pk, bearers_of(site.pk), 14)
        assert others.machines_with_code == 3
        hints = where_to_look(list(found.code.symptoms.all()), record, others, 20.0)
        assert hints[0].where in {"Metal", "Dirty coolant"}
        assert "on 3 machines within 14 days" in hints[0].reasons[0]

    def test_findings_alike_share_code_machine_mark_or_tooling_set(self, site, bm):
        tools = ToolingSet.objects.create(plant=site, name="Set A")
        other = machine(site, "BM 7", ("7", "2025-01-01", None))
        noon = dt.datetime(2026, 6, 9, 12, tzinfo=dt.UTC)
        Fitting.objects.create(
            tooling_set=tools, machine=other, fitted_at=noon - dt.timedelta(days=30), removed_at=noon
        )
        Fitting.objects.create(tooling_set=tools, machine=bm, fitted_at=noon)
        found = finding(site, "4", "2026-06-11")
        same = finding(site, "4", "2026-06-12")
        by_set = finding(site, "7", "2026-06-01", code="SCORE")
        finding(site, "8", "2026-06-01", code="SCORE")  # shares nothing
        finding(site, "4", "2026-05-01")  # too long before
        shared = alike(found, bm.pk, bearers_of(site.pk), 14)
        assert [(one.row.finding, one.shares) for one in shared.shown] == [
            (same, ("code", "machine", "mark", "tooling set")),
            (by_set, ("tooling set",)),
        ]
        assert count_words(shared).startswith("Within 14 days before and after: 1 has the same code, 1 has")


class TestPages:
    @pytest.fixture
    def client(self, site, signed_in):
        return signed_in(site.by)

    def text(self, client, address, status=200):
        answer = client.get(address)
        assert answer.status_code == status
        return answer.content.decode()

    def test_a_finding_leads_to_its_machine_and_the_machine_to_it(self, site, client):
        bm = machine(site, "BM 4", ("4", "2025-01-01", None))
        invented.history(bm, site.mechanic, 6, until=factories.NOW, every=20)
        invented.counts(bm, 250, until=TODAY)
        found = finding(site, "4", note="<b>low</b>")
        text = self.text(client, f"/findings/{found.pk}/")
        assert f'href="/machines/{bm.pk}/"' in text
        assert "&lt;b&gt;low" in text
        assert f'href="/findings/{found.pk}/"' in self.text(client, f"/machines/{bm.pk}/findings/")

    def test_an_ambiguous_one_stands_with_both_machines_and_may_be_looked_at_as_if(self, site, client):
        one = machine(site, "BM 3", ("9", "2026-01-01", "2026-05-20"))
        other = machine(site, "BM 5", ("9", "2026-05-20", None))
        stranger = machine(site, "BM 6", ("6", "2026-05-20", None))
        found = finding(site, "9", "2026-05-20")
        finding(site, "9", "2026-05-19")
        for bm in (one, other):
            assert f'href="/findings/{found.pk}/"' in self.text(client, f"/machines/{bm.pk}/findings/")
        assert "as if it came from" not in self.text(client, f"/findings/{found.pk}/").replace("Look at it as if", "")
        assert "as if it came from BM 5" in self.text(client, f"/findings/{found.pk}/?machine={other.pk}")
        assert "as if it came from BM 6" not in self.text(client, f"/findings/{found.pk}/?machine={stranger.pk}")

    def test_a_mark_half_read_stands_with_every_machine_it_may_be_of(self, site, client):
        machine(site, "BM 1", ("11", "2026-01-01", None))
        bm = machine(site, "BM 2", ("12", "2026-01-01", None))
        found = finding(site, "1?")
        assert f'href="/findings/{found.pk}/"' in self.text(client, f"/machines/{bm.pk}/findings/")

    @pytest.mark.parametrize(
        ("query", "status", "sentence"),
        [
            ("since=2026-06-02&until=2026-06-01", 422, "The span ends before it begins."),
            ("code=999", 422, "There is no such defect code here."),
            ("mark=123456789", 422, "A mark has 8 letters at most."),
            ("since=2026-02-31", 422, "not a date of the calendar"),
            ("mark=zz", 200, "No finding fits this choice."),
            ("page=9999999999999999999999", 200, ""),
        ],
    )
    def test_what_is_asked_of_the_list_gets_an_answer(self, site, client, query, status, sentence):
        finding(site, "4")
        assert sentence in self.text(client, f"/findings/?{query}", status)

    def test_odd_questions_of_a_finding_are_answered_with_the_usual_one(self, site, client):
        found = finding(site, "4")
        for query in ("days=3", "machine=x", f"machine={2**70}", "days=%00"):
            assert "Within 14 days" in self.text(client, f"/findings/{found.pk}/?{query}", 422)

    def test_queries_do_not_grow_with_findings_machines_marks_or_visits(self, site, client):
        bm = machine(site, "BM 4", ("4", "2025-01-01", None))
        invented.history(bm, site.mechanic, 3, until=factories.NOW, every=20)
        found = finding(site, "4")
        addresses = (
            f"/findings/{found.pk}/",
            f"/machines/{bm.pk}/findings/",
            "/findings/",
            f"/findings/?machine={bm.pk}",
        )

        def counted():
            from django.db import connection
            from django.test.utils import CaptureQueriesContext

            numbers = []
            for address in addresses:
                with CaptureQueriesContext(connection) as asked:
                    self.text(client, address)
                numbers.append(len(asked))
            return numbers

        counted()
        few = counted()
        invented.history(bm, site.mechanic, 15, until=factories.NOW - dt.timedelta(days=100), every=20)
        for number in range(30):
            other = machine(
                site, f"BM 1{number}", (f"x{number}", "2025-01-01", None), ("4?", "2024-01-01", "2024-02-01")
            )
            finding(site, f"x{number}", "2026-06-09")
            finding(site, "4", "2026-06-08", machine=other)
            finding(site, "4", "2026-06-08")
        many = counted()
        assert many == few
        print(dict(zip(addresses, many, strict=True)))
