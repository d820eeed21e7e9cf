"""A machine's page and what hangs on it: head, choice, figures, tables, files, sentences for thin data."""

import ast
import csv
import datetime as dt
import html
import io
import re
from itertools import pairwise
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import Amendment, Result
from linelog.plant.models import Fitting, MarkAssignment, Station, ToolingSet
from linelog.production.models import Event
from linelog.trends.due.store import refit_drifts
from linelog.web.plotly import untyped
from tests import factories
from tests.trends import invented

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def now():
    return timezone.now()


@pytest.fixture
def machine():
    return factories.machine(mark="7", name="BM 7")


@pytest.fixture
def mechanic(machine):
    return factories.person("mechanic", machine.line.plant)


@pytest.fixture
def known(machine, mechanic, now):
    """The machine with ten visits and 200 days of counts."""
    invented.history(machine, mechanic, 10, until=now)
    invented.counts(machine, 200, until=factories.counted_today())
    return machine


@pytest.fixture
def ask(signed_in, mechanic):
    return signed_in(mechanic)


def text_of(answer):
    return re.sub(r"\s+", " ", html.unescape(answer.content.decode()))


class TestHead:
    def test_it_says_which_machine_its_mark_and_how_it_stands(self, ask, known):
        Result.objects.update(verdict="in", severity=0.2, radial_um=4.0)
        last = known.visits.order_by("-opened_at").first()
        last.results.filter(station__kind="domer").update(
            verdict="out", severity=1.5, radial_um=57.0, x_um=57.0, y_um=0.0
        )
        text = text_of(ask.get(f"/machines/{known.pk}/"))
        assert "BM 7" in text
        assert "mark 7" in text
        assert "Domer: Out as measured: 0.057" in text
        assert "1.50 of the limit" in text
        assert reverse("alignment:open", args=[known.pk]) in text
        assert reverse("alignment:visit", args=[last.pk]) in text

    def test_an_open_visit_is_resumed_and_not_opened_twice(self, ask, machine, mechanic):
        visit = factories.visit(machine, mechanic)
        text = text_of(ask.get(f"/machines/{machine.pk}/"))
        assert "Resume the open visit" in text
        assert reverse("alignment:visit", args=[visit.pk]) in text
        assert "Open a visit" not in text

    def test_who_may_not_open_a_visit_has_no_button(self, signed_in, machine):
        text = text_of(signed_in(factories.person("viewer", machine.line.plant)).get(f"/machines/{machine.pk}/"))
        assert "Open a visit" not in text

    def test_a_mark_that_ended_is_no_longer_its_mark(self, ask, machine):
        MarkAssignment.objects.update(ends_on=dt.date(2025, 2, 1))
        assert "no mark today" in text_of(ask.get(f"/machines/{machine.pk}/"))

    def test_a_machine_never_measured_is_due(self, ask, machine):
        text = text_of(ask.get(f"/machines/{machine.pk}/"))
        assert "due: never measured" in text
        assert "not measured" in text


class TestChoice:
    def test_a_swap_brings_the_fragment_and_the_browsers_back_the_page(self, ask, known):
        url = f"/machines/{known.pk}/?span=3m&grain=day"
        swapped = ask.get(url, headers={"HX-Request": "true"})
        assert "<html" not in swapped.content.decode()
        assert 'id="trend"' in swapped.content.decode()
        back = ask.get(url, headers={"HX-Request": "true", "HX-History-Restore-Request": "true"})
        assert "<html" in back.content.decode()
        assert "HX-Request" in swapped["Vary"]

    def test_the_choice_stands_in_the_address_of_the_figures(self, ask, known):
        stations = [str(one.pk) for one in known.stations.exclude(kind__in=Station.BUSHINGS)[:2]]
        text = text_of(
            ask.get(f"/machines/{known.pk}/?span=24m&grain=day&station={stations[0]}&station={stations[1]}")
        )
        wanted = f"figures.json?span=24m&grain=day&station={stations[0]}&station={stations[1]}"
        assert wanted in text

    @pytest.mark.parametrize("query", ["span=5w", "grain=hour", "station=999999", "station=x", "station=9e9"])
    def test_what_is_not_there_is_said_so_and_the_usual_is_shown(self, ask, known, query):
        answer = ask.get(f"/machines/{known.pk}/?{query}")
        assert answer.status_code == 422
        assert "There is no such" in answer.content.decode()
        for name in ("figures.json", "numbers/offsets/", "numbers/offsets.csv"):
            answer = ask.get(f"/machines/{known.pk}/{name}?{query}")
            assert answer.status_code == 422
            assert "There is no such" in answer.content.decode()

    def test_a_station_of_another_machine_is_not_there(self, ask, known):
        other = factories.machine(known.line).stations.first()
        assert ask.get(f"/machines/{known.pk}/?station={other.pk}").status_code == 422

    def test_four_weeks_show_fewer_points_than_six_months(self, ask, known):
        lengths = []
        for span in ("4w", "6m"):
            figure = ask.get(f"/machines/{known.pk}/figures.json?span={span}&grain=day").json()["time"]
            points = [
                one for one in figure["data"] if one["name"].startswith("Tear-offs") and one["mode"] == "markers"
            ]
            lengths.append(sum(len(untyped(one["x"])) for one in points))
        assert lengths == [28, 182]


class TestFigures:
    def test_they_are_json_with_typed_arrays_and_no_list_of_numbers(self, ask, known):
        domer = known.stations.get(kind="domer")
        answer = ask.get(f"/machines/{known.pk}/figures.json?station={domer.pk}")
        assert answer["Content-Type"] == "application/json"
        figures = answer.json()
        assert b"NaN" not in answer.content, "a gap travels inside a typed array"
        assert set(figures) == {"time", f"clock-{domer.pk}-one-static"}
        for figure in figures.values():
            for trace in figure["data"]:
                for key in {"x", "y"} & trace.keys():
                    assert set(trace[key]) == {"dtype", "bdata"}
        assert {axis for axis in figures["time"]["layout"] if axis.startswith("xaxis")} == {"xaxis"}, "one time axis"
        assert len([axis for axis in figures["time"]["layout"] if axis.startswith("yaxis")]) == 4

    def test_panels_do_not_overlap_and_axes_have_units(self, ask, known):
        layout = ask.get(f"/machines/{known.pk}/figures.json").json()["time"]["layout"]
        domains = sorted(layout[axis]["domain"] for axis in layout if axis.startswith("yaxis"))
        assert all(below[1] < above[0] for below, above in pairwise(domains))
        titles = {
            layout[axis]["title"]["text"] for axis in layout if axis.startswith("yaxis") and "title" in layout[axis]
        }
        assert titles == {"mm", "per million cans", "% of cans"}

    def test_nothing_known_makes_no_figure(self, ask, machine):
        assert ask.get(f"/machines/{machine.pk}/figures.json").json() == {}


class TestThinData:
    @pytest.mark.parametrize(
        ("visits", "sentence"),
        [
            (0, "No signed visit measured Redraw sleeve in this span."),
            (1, "One visit: no trend yet."),
            (2, "Two visits: no trend yet."),
        ],
    )
    def test_few_visits_get_a_sentence(self, ask, machine, mechanic, now, visits, sentence):
        invented.history(machine, mechanic, visits, until=now)
        first = machine.stations.exclude(kind__in=Station.BUSHINGS).first()
        text = text_of(ask.get(f"/machines/{machine.pk}/?station={first.pk}"))
        assert sentence in text
        assert 'data-figure="time"' not in text

    @pytest.mark.parametrize(
        ("days", "sentence"),
        [(0, "No cans counted in this span."), (1, "One day counted: too few for a chart."), (2, "Two days counted")],
    )
    def test_few_counts_get_a_sentence(self, ask, machine, now, days, sentence):
        invented.counts(machine, days, until=factories.counted_today())
        text = text_of(ask.get(f"/machines/{machine.pk}/?span=4w&grain=day"))
        assert text.count(sentence) == 2
        assert 'data-figure="time"' not in text

    def test_limits_on_few_points_are_called_provisional(self, ask, machine, now):
        invented.counts(machine, 10, until=factories.counted_today())
        assert "the limits are provisional" in text_of(ask.get(f"/machines/{machine.pk}/?span=4w&grain=day"))

    def test_over_dispersed_counts_have_widened_limits_and_it_is_said(self, ask, known):
        text = text_of(ask.get(f"/machines/{known.pk}/?span=6m&grain=day"))
        assert "Laney's correction" in text

    def test_values_set_aside_are_counted(self, ask, known, mechanic, now):
        domer = known.stations.get(kind="domer")
        Amendment.objects.create(
            visit=known.visits.first(),
            station=domer,
            stage="as_found",
            reason="wrong",
            set_aside=True,
            by=mechanic,
            at=now,
        )
        text = text_of(ask.get(f"/machines/{known.pk}/?station={domer.pk}"))
        assert re.search(r"[12] values? set aside by amendments: left out here", text)

    def test_an_open_visit_is_said_not_to_be_in_the_charts(self, ask, known, mechanic):
        factories.visit(known, mechanic)
        assert "not in the charts until it is signed" in text_of(ask.get(f"/machines/{known.pk}/"))


class TestNumbers:
    @pytest.mark.parametrize("what", ["offsets", "tear-offs", "spoiled", "directions", "happened"])
    def test_page_fragment_and_file_hold_the_same_rows(self, ask, known, what):
        domer = known.stations.get(kind="domer")
        base, query = f"/machines/{known.pk}/numbers/{what}", f"?span=12m&grain=week&station={domer.pk}"
        page = ask.get(f"{base}/{query}")
        fragment = ask.get(f"{base}/{query}", headers={"HX-Request": "true"}).content.decode()
        assert "<html" in page.content.decode()
        assert "<html" not in fragment
        file = ask.get(f"{base}.csv{query}")
        assert file["Content-Type"] == "text/csv; charset=utf-8"
        assert "attachment" in file["Content-Disposition"]
        rows = list(csv.reader(io.StringIO(file.content.decode())))
        assert fragment.count("<tr>") == 1 + min(len(rows) - 1, 40)
        assert fragment.count("<th ") == len(rows[0])

    def test_long_tables_come_in_pages(self, ask, known):
        url = f"/machines/{known.pk}/numbers/tear-offs/?span=6m&grain=day&page=5"
        text = text_of(ask.get(url))
        assert "page 5 of 5" in text
        assert "All 182 rows as CSV" in text
        assert ask.get(url.replace("page=5", "page=x")).status_code == 200

    def test_a_table_that_does_not_exist_is_not_there(self, ask, known):
        assert ask.get(f"/machines/{known.pk}/numbers/costs/").status_code == 404
        assert ask.get(f"/machines/{known.pk}/numbers/costs.csv").status_code == 404

    def test_the_reader_has_their_own_unit(self, signed_in, known):
        reader = factories.person("viewer", known.line.plant, unit="inch")
        file = signed_in(reader).get(f"/machines/{known.pk}/numbers/offsets.csv").content.decode()
        assert "offset_inch" in file.splitlines()[0]


class TestSpeed:
    def grow(self, machine, by, now, visits, days, others):
        invented.history(machine, by, visits, until=now, every=5)
        machine.day_counts.all().delete()
        invented.counts(machine, days, until=factories.counted_today())
        for number in range(others):
            at = now - dt.timedelta(days=1 + number)
            Event.objects.create(machine=machine, at=at, kind="jam", by=by)
            tools = ToolingSet.objects.create(plant=machine.line.plant, name=f"Set {visits} {number}")
            Fitting.objects.create(
                tooling_set=tools, machine=machine, fitted_at=at, removed_at=at + dt.timedelta(hours=1)
            )
            Amendment.objects.create(visit=machine.visits.first(), reason="noted", by=by, at=now)

    @pytest.mark.parametrize("path", ["", "figures.json", "numbers/offsets/", "numbers/happened.csv"])
    def test_a_long_history_takes_as_many_queries_as_a_short_one(self, ask, machine, mechanic, now, path):
        seen = []
        for visits, days, others in ((4, 30, 1), (40, 600, 20)):
            self.grow(machine, mechanic, now, visits, days, others)
            refit_drifts(machine.line.plant, now)
            with CaptureQueriesContext(connection) as asked:
                assert ask.get(f"/machines/{machine.pk}/{path}?span=all").status_code == 200
            seen.append(len(asked))
        assert seen[0] == seen[1] <= 48


class TestAccess:
    @pytest.mark.parametrize("path", ["", "figures.json", "numbers/offsets/", "numbers/offsets.csv"])
    def test_another_plants_machine_is_not_there(self, ask, path):
        other = factories.machine()
        assert ask.get(f"/machines/{other.pk}/{path}").status_code == 404

    def test_the_short_address_leads_to_the_page(self, ask, machine):
        answer = ask.get(f"/m/{machine.pk}/")
        assert answer.status_code == 302
        assert answer["Location"] == f"/machines/{machine.pk}/"
        assert ask.get(f"/m/{factories.machine().pk}/").status_code == 404

    @pytest.mark.parametrize("number", ["0", "9" * 30])
    def test_numbers_that_no_machine_has_are_not_there(self, ask, number):
        assert ask.get(f"/machines/{number}/").status_code == 404
        assert ask.get(f"/m/{number}/").status_code == 404


def words_of(path: Path) -> str:
    """What a page may say: a template without its tags, the strings of a module without its docstrings."""
    text = path.read_text()
    if path.suffix == ".html":
        return re.sub(r"{[{%].*?[%}]}", " ", text)
    if path.suffix != ".py":
        return text
    tree = ast.parse(text)
    strings = [
        node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
    for node in ast.walk(tree):
        if isinstance(node, documented) and (said := ast.get_docstring(node, clean=False)):
            strings.remove(said)
    return "\n".join(strings)


def test_no_page_of_the_trends_speaks_of_causes():
    """Charts show what came together in time; that one thing made the other they cannot show."""
    said = [
        *ROOT.glob("templates/trends/*.html"),
        *ROOT.glob("linelog/trends/**/*.py"),
        *ROOT.glob("static/trends/*"),
    ]
    assert said
    assert [path.name for path in said if re.search(r"\bcaus(es|ed|ing)\b", words_of(path))] == []
