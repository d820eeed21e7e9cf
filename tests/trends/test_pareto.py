"""Pareto of findings: what leads to one machine counts, against cans; a tall bar that chance explains is grey."""

import datetime as dt

import pytest

from linelog.plant.models import Fitting, MarkAssignment, ToolingSet
from linelog.production.made import Told
from linelog.production.models import DayCount
from linelog.trends.pareto import CHANCE, MORE, UNKNOWN, Choice, by_code, by_machine, by_set, by_station, charts
from linelog.trends.pareto_figures import pareto_figure
from linelog.trends.queries.pareto import read_material
from linelog.web.plotly import untyped
from tests import factories

pytestmark = pytest.mark.django_db
TODAY = factories.NOW.date()
SINCE = TODAY - dt.timedelta(days=29)


@pytest.fixture
def site():
    plant = factories.plant()
    factories.finding_lists(plant)
    plant.line = factories.line(plant, name="Line 1")
    plant.by = factories.person("quality", plant)
    plant.machines = [machine(plant, number) for number in range(1, 5)]
    return plant


def machine(site, number, cans=400_000):
    made = factories.machine(site.line, name=f"BM {number}")
    MarkAssignment.objects.create(machine=made, mark=str(number), starts_on=TODAY - dt.timedelta(days=200))
    for back in range(60):
        DayCount.objects.create(machine=made, day=TODAY - dt.timedelta(days=back), cans=cans)
    return made


def found(site, mark, back, code="DOME-OFF", **more):
    on = TODAY - dt.timedelta(days=back)
    told = Told(TODAY, on)
    return factories.finding(site, site.by, told=told, mark=mark, code=site.defect_codes.get(code=code), **more)


def material(site):
    return read_material(site, SINCE, TODAY)


def words_of(chart):
    return {bar.label: (bar.count, bar.word) for bar in chart.bars}


def test_the_machine_that_stands_out_of_its_share_of_the_cans_is_named_and_no_other(site):
    for back in range(12):
        found(site, "1", back)
    for back in range(3):
        found(site, "2", back)
    chart = by_machine(material(site), Choice())
    assert words_of(chart) == {"BM 1": (12, MORE), "BM 2": (3, CHANCE), "BM 3": (0, CHANCE), "BM 4": (0, CHANCE)}
    assert [bar.expected for bar in chart.bars] == [15 / 4] * 4
    assert chart.said == "More than chance explains, of 4 bars: BM 1."


def test_a_bar_is_drawn_grey_just_where_it_ends_within_what_chance_leaves(site):
    for back in range(12):
        found(site, "1", back)
    for back in range(3):
        found(site, "2", back)
    figure = pareto_figure(by_machine(material(site), Choice()))
    drawn = {
        place: (length, trace["name"])
        for trace in figure["data"]
        if trace["type"] == "bar"
        for place, length in zip(trace["y"], untyped(trace["x"]), strict=True)
    }
    (expected,) = [trace for trace in figure["data"] if trace["type"] == "scatter"]
    ends = untyped(expected["x"]) + untyped(expected["error_x"]["array"])
    most = dict(zip(expected["y"], ends, strict=True))
    assert set(most) == set(drawn) == {"BM 1", "BM 2"}
    assert all((length > most[place]) == (word == MORE) for place, (length, word) in drawn.items())
    assert figure["layout"]["xaxis"]["range"][1] > max(*most.values(), *(length for length, _ in drawn.values()))


def test_a_tall_bar_on_many_cans_is_grey(site):
    site.machines[0].day_counts.update(cans=4_000_000)
    for back in range(12):
        found(site, "1", back)
    for back in range(3):
        found(site, "2", back)
    chart = by_machine(material(site), Choice())
    assert chart.bars[0].label == "BM 1"
    assert chart.bars[0].word == CHANCE
    assert chart.said == "Chance alone explains all 4 bars, the tallest too."


def test_what_is_found_together_is_one_occasion_and_its_cans_are_added(site):
    for quantity in (3, 4):
        found(site, "1", 2, quantity=quantity)
    found(site, "1", 2, code="SCORE")
    bar = by_machine(material(site), Choice()).bars[0]
    assert (bar.count, bar.cans) == (2, 8)


def test_what_leads_to_no_single_machine_is_left_out_and_said_so(site):
    MarkAssignment.objects.create(machine=site.machines[1], mark="1", starts_on=TODAY - dt.timedelta(days=5))
    found(site, "1", 4)
    found(site, "1", 6)
    found(site, "", 6, code="SCORE")
    chart = by_machine(material(site), Choice())
    assert chart.bars[0].count == 1
    assert chart.notes == ("2 occasions left out that lead to no single machine.",)


def test_codes_and_stations_are_held_against_the_span_before(site):
    for back in range(12):
        found(site, "1", back)
    for back in range(31, 33):
        found(site, "1", back)
        found(site, "1", back, code="SCORE")
    found(site, "2", 1, code="SCORE")
    codes = words_of(by_code(material(site), Choice()))
    assert codes == {
        "DOME-OFF Dome off centre, or marked on one side": (12, MORE), "SCORE Scored along the wall": (1, CHANCE),
    }  # fmt: skip
    stations = by_station(material(site), Choice())
    assert words_of(stations)["Domer"] == (12, MORE)
    assert words_of(stations)["Front bushing"] == (1, CHANCE)


def test_of_one_machine_codes_are_held_against_the_other_machines(site):
    for back in range(10):
        found(site, "1", back)
        found(site, "2", back, code="SCRATCH")
    chart = by_code(material(site), Choice(machine_id=site.machines[0].pk))
    assert words_of(chart) == {"DOME-OFF Dome off centre, or marked on one side": (10, MORE)}
    assert "other machines" in chart.against


def test_without_anything_before_nothing_is_called_tall(site):
    found(site, "1", 1)
    chart = by_code(material(site), Choice())
    assert [bar.word for bar in chart.bars] == [UNKNOWN]
    assert "nothing to hold these counts against" in chart.said


def test_a_bad_machine_makes_no_bad_set_but_a_bad_set_stands_out_on_its_machine(site):
    noon = dt.datetime.combine(SINCE, dt.time(12), tzinfo=dt.UTC)
    change = noon + dt.timedelta(days=15)
    for number, one in enumerate(site.machines[:2], start=1):
        for letter, begins, ends in (("A", noon - dt.timedelta(days=40), change), ("B", change, None)):
            tools = ToolingSet.objects.create(plant=site, name=f"Set {number}{letter}")
            Fitting.objects.create(tooling_set=tools, machine=one, fitted_at=begins, removed_at=ends)
    for back in range(1, 29):
        found(site, "1", back)  # a bad machine, whatever its tools
    for back in range(1, 12):
        found(site, "2", back)  # only since its set B came on
    words = words_of(by_set(material(site), Choice()))
    assert {label: word for label, (_, word) in words.items()} == {"Set 1A": CHANCE, "Set 1B": CHANCE, "Set 2B": MORE}


def test_the_figure_marks_more_than_chance_by_pattern_as_well_as_colour(site):
    for back in range(12):
        found(site, "1", back)
    found(site, "2", 1)
    figure = pareto_figure(by_machine(material(site), Choice()))
    more, chance, expected = figure["data"]
    assert (more["name"], more["marker"]["pattern"]["shape"], more["y"]) == (MORE, "/", ["BM 1"])
    assert (chance["name"], chance["marker"]["pattern"]["shape"], chance["y"]) == (CHANCE, "", ["BM 2"])
    assert untyped(more["x"]).tolist() == [12.0]
    assert untyped(expected["x"]).tolist() == [13 / 4] * 2
    assert figure["layout"]["xaxis"]["title"]["text"].startswith("Occasions")
    assert pareto_figure(by_code(read_material(site, SINCE, SINCE), Choice())) is None


class TestPage:
    @pytest.mark.parametrize(
        ("query", "status", "sentence"),
        [
            ("", 200, "By tooling set"),
            ("since=2026-06-02&until=2026-06-01", 422, "The span ends before it begins."),
            ("since=2001-01-01&until=2026-06-01", 422, "Choose a span of 728 days at most."),
            ("code=9999", 422, "There is no such defect code here."),
            ("machine=x", 422, "There is no such machine in your plant."),
            ("until=2026-02-30", 422, "not a date of the calendar"),
            ("since=2026-06-02&until=2026-06-02", 200, "No finding"),
        ],
    )
    def test_what_is_asked_gets_an_answer(self, site, signed_in, query, status, sentence):
        found(site, "1", 3)
        client = signed_in(site.by)
        answer = client.get(f"/evidence/pareto/?{query}")
        assert answer.status_code == status
        assert sentence in answer.content.decode()
        assert client.get(f"/evidence/pareto/figures.json?{query}").status_code == status

    def test_a_plant_without_anything_has_a_page(self, signed_in):
        assert signed_in(factories.person("viewer")).get("/evidence/pareto/").status_code == 200

    def test_queries_do_not_grow_with_findings_or_machines(self, site, signed_in):
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        client, numbers = signed_in(site.by), []
        for rows in (2, 40):
            for back in range(rows):
                found(site, str(1 + back % 4), back % 25)
            client.get("/evidence/pareto/")
            with CaptureQueriesContext(connection) as asked:
                assert client.get("/evidence/pareto/").status_code == 200
            numbers.append(len(asked))
            machine(site, f"{rows}5")
        assert numbers[0] == numbers[1]


def test_all_charts_of_nothing_are_sentences(site):
    for chart in charts(read_material(site, SINCE, TODAY), Choice()):
        assert not chart.bars or chart.key == "machine"
        assert chart.said.endswith(".")
