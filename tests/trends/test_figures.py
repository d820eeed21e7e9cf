"""What is drawn is what the tables say; limits, gaps, scales and labels are as they must be."""

import datetime as dt
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.alignment.models import Amendment, Result
from linelog.calc.units import Unit
from linelog.plant.models import Fitting, ToolingSet
from linelog.production.models import DayCount, Event
from linelog.trends.choice import Choice, Grain, Span
from linelog.trends.figures import time_figure
from linelog.trends.panels import MOST_STROKES
from linelog.trends.tables import TABLES, as_csv
from linelog.trends.trend import load
from linelog.web import plotly
from linelog.web.plotly import untyped
from tests import factories
from tests.trends import invented

pytestmark = pytest.mark.django_db
NOW, TODAY = factories.NOW, factories.NOW.date()


@pytest.fixture
def machine():
    return factories.machine(mark="7")


@pytest.fixture
def by(machine):
    return factories.person("manager", machine.line.plant)


def shown(machine, *kinds, span=Span.MONTHS_12, grain=Grain.WEEK):
    stations = list(machine.stations.all())
    chosen = tuple(one.pk for one in stations if one.kind in kinds)
    return load(machine, stations, Choice(span, grain, chosen, TODAY))


def traces(figure, start):
    return [trace for trace in figure["data"] if trace["name"].startswith(start)]


def column(table, name):
    place = [one.name for one in table.columns].index(name)
    return [row[place].value for row in table.rows]


@pytest.mark.parametrize(("unit", "per"), [(Unit.MM, 1000.0), (Unit.UM, 1.0), (Unit.INCH, 25_400.0)])
def test_offsets_drawn_equal_the_table_in_the_readers_unit(machine, by, unit, per):
    invented.history(machine, by, 8, until=NOW)
    trend = shown(machine, "tool_pack", "domer")
    figure, table = time_figure(trend, unit), TABLES["offsets"](trend, unit)
    drawn = [trace for trace in figure["data"] if "error_y" in trace and "as " in trace["name"]]
    heights = np.concatenate([untyped(trace["y"]) for trace in drawn])
    bars = np.concatenate([untyped(trace["error_y"]["array"]) for trace in drawn])
    assert len(heights) == len(table.rows) == 8 * 3 * 2
    assert sorted(heights) == pytest.approx(sorted(column(table, f"offset_{unit.value}")), abs=1e-6)
    assert sorted(bars) == pytest.approx(sorted(column(table, f"expanded_{unit.value}")), abs=1e-6)
    stored = Result.objects.filter(station__kind__in=["tool_pack", "domer"]).values_list("radial_um", flat=True)
    assert sorted(heights * per) == pytest.approx(sorted(stored))


@pytest.mark.parametrize("grain", [Grain.DAY, Grain.WEEK])
def test_rates_drawn_equal_the_table(machine, grain):
    invented.counts(machine, 200, until=TODAY)
    trend = shown(machine, span=Span.MONTHS_6, grain=grain)
    figure = time_figure(trend, Unit.MM)
    for key, name in (("tear-offs", "Tear-offs"), ("spoiled", "Spoiled")):
        table = TABLES[key](trend, Unit.MM)
        points = [trace for trace in traces(figure, name) if trace["mode"] == "markers"]
        rates = np.concatenate([untyped(trace["y"]) for trace in points])
        highs = rates + np.concatenate([untyped(trace["error_y"]["array"]) for trace in points])
        lows = rates - np.concatenate([untyped(trace["error_y"]["arrayminus"]) for trace in points])
        assert len(rates) == len(table.rows) > 20
        assert sorted(rates) == pytest.approx(sorted(column(table, "rate")))
        assert sorted(highs) == pytest.approx(sorted(column(table, "high")))
        assert sorted(lows) == pytest.approx(sorted(column(table, "low")))
        above = [trace for trace in points if trace["marker"]["symbol"] == "triangle-up"]
        assert sum(len(untyped(trace["y"])) for trace in above) == column(table, "state").count("above")
        upper = untyped(traces(figure, f"{name}: control limits")[0]["y"])
        assert set(np.round(upper[~np.isnan(upper)], 6)) == set(np.round(column(table, "upper_limit"), 6))


def test_a_rate_rests_on_every_can_begun_and_its_limit_follows_the_cans(machine):
    """Derived: u +- 3*sqrt(u/n) by hand for two sizes of subgroup (NIST/SEMATECH e-Handbook 6.3.3.1)."""
    rows = [(100_000, 5), (400_000, 20)] * 12
    DayCount.objects.bulk_create(
        DayCount(
            machine=machine, day=TODAY - dt.timedelta(days=number), cans=cans - count, spoiled=count, tear_offs=count
        )
        for number, (cans, count) in enumerate(rows)
    )
    table = TABLES["tear-offs"](shown(machine, span=Span.WEEKS_4, grain=Grain.DAY), Unit.MM)
    assert set(column(table, "rate")) == {50.0}
    assert sorted(set(np.round(column(table, "upper_limit"), 6))) == pytest.approx(
        [50 + 3 * (50 / 0.4) ** 0.5, 50 + 3 * (50 / 0.1) ** 0.5]
    )


def test_days_without_counts_are_gaps_never_zero(machine):
    invented.counts(machine, 60, until=TODAY)
    DayCount.objects.filter(day__in=[TODAY - dt.timedelta(days=days) for days in (20, 21, 22)]).delete()
    figure = time_figure(shown(machine, span=Span.MONTHS_3, grain=Grain.DAY), Unit.MM)
    (path,) = traces(figure, "Tear-offs: from day to day")
    y = untyped(path["y"])
    assert len(y) == 57 + 1
    assert np.isnan(y).sum() == 1


def test_too_many_days_are_shown_by_week(machine):
    invented.counts(machine, 500, until=TODAY)
    trend = shown(machine, span=Span.ALL, grain=Grain.DAY)
    assert trend.counted.by_week
    assert trend.counted.too_many_days
    assert len(trend.rates["tear_offs"].day) in (72, 73)


def test_a_limit_that_was_changed_steps_at_the_visit_that_used_it_first(machine, by):
    invented.history(machine, by, 4, until=NOW)
    domer = machine.stations.get(kind="domer")
    last = machine.visits.order_by("-opened_at").first()
    last.results.filter(station=domer).update(limit_um=50.0)
    figure = time_figure(shown(machine, "domer"), Unit.UM)
    (limit,) = traces(figure, "Limit")
    assert list(untyped(limit["y"])) == [38.0, 38.0, 50.0, 50.0]


def test_amended_values_are_ringed_and_values_set_aside_left_out_and_counted(machine, by):
    visits = invented.history(machine, by, 5, until=NOW)
    domer = machine.stations.get(kind="domer")
    place = {"station": domer, "stage": "as_found", "seat": "", "reason": "=wrong dial", "by": by, "at": NOW}
    Amendment.objects.create(visit=visits[0], set_aside=True, **place)
    Amendment.objects.create(visit=visits[1], x_um=6.0, y_um=8.0, **place)
    trend = shown(machine, "domer")
    figure, table = time_figure(trend, Unit.UM), TABLES["offsets"](trend, Unit.UM)
    (ring,) = traces(figure, "Amended")
    assert list(untyped(ring["y"])) in ([10.0], [10.0, 10.0])  # as left follows where it was carried over
    assert trend.set_aside >= 1
    assert len(table.rows) == 10 - trend.set_aside
    assert any("amended, measured was" in remark for remark in column(table, "remark"))


def test_what_happened_is_marked_and_a_visit_opens_on_a_tap(machine, by):
    invented.history(machine, by, 4, until=NOW)
    tools = ToolingSet.objects.create(plant=machine.line.plant, name="Set <1>")
    Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=NOW - dt.timedelta(days=9))
    Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=3), kind="jam", by=by)
    figure = time_figure(shown(machine, "domer"), Unit.MM)
    visits = traces(figure, "Visits")[0]
    assert [data[1] for data in visits["customdata"]] == [
        f"/visits/{pk}/" for pk in machine.visits.order_by("opened_at").values_list("pk", flat=True)
    ]
    tooling = traces(figure, "Tooling")[0]
    assert "Set &lt;1&gt; on" in tooling["customdata"][0][0]
    assert len(traces(figure, "Jams")[0]["customdata"]) == 1
    upright = [trace for trace in traces(figure, "Visits") if trace["mode"] == "lines"]
    assert len(upright) == 1, "one stroke trace in the one panel that is drawn"


def test_more_events_than_can_be_told_apart_are_marked_in_their_row_alone(machine, by):
    invented.history(machine, by, 4, until=NOW)
    Event.objects.bulk_create(
        Event(machine=machine, at=NOW - dt.timedelta(days=number), kind="jam", by=by)
        for number in range(MOST_STROKES + 1)
    )
    figure = time_figure(shown(machine, "domer"), Unit.MM)
    assert [trace["mode"] for trace in traces(figure, "Jams")] == ["markers+text"]


def test_a_signed_visit_counts_and_open_and_dropped_ones_do_not(machine, by):
    visits = invented.history(machine, by, 5, until=NOW)
    machine.visits.filter(pk=visits[0].pk).update(state="open", signed_by=None, signed_at=None)
    machine.visits.filter(pk=visits[1].pk).update(state="dropped", signed_by=None, signed_at=None, dropped_why="x")
    trend = shown(machine, "domer")
    assert trend.visits == 3
    assert len([mark for mark in trend.marks if mark.kind == "visit"]) == 3


def test_one_day_with_few_cans_does_not_flatten_the_chart(machine):
    invented.counts(machine, 40, until=TODAY)
    day = DayCount.objects.earliest("day")
    DayCount.objects.filter(pk=day.pk).update(cans=500, spoiled=3, tear_offs=3)
    trend = shown(machine, span=Span.MONTHS_3, grain=Grain.DAY)
    figure = time_figure(trend, Unit.MM)
    assert figure["layout"]["yaxis2"]["range"][1] < 1000
    assert max(column(TABLES["tear-offs"](trend, Unit.MM), "rate")) == pytest.approx(3 / 503 * 1e6)


def test_csv_holds_every_row_and_runs_no_formula(machine, by):
    visits = invented.history(machine, by, 3, until=NOW)
    Event.objects.create(machine=machine, at=NOW, kind="jam", note='=HYPERLINK("x")', by=by)
    trend = shown(machine, "domer")
    lines = as_csv(TABLES["offsets"](trend, Unit.MM)).splitlines()
    assert lines[0].startswith("visit,station,method,stage,across_mm,up_mm,offset_mm,expanded_mm,limit_mm,toward_deg")
    assert len(lines) == 1 + 2 * len(visits)
    assert "0.038" in lines[1]
    assert "'=HYPERLINK" in as_csv(TABLES["happened"](trend, Unit.MM))


@given(st.lists(st.floats(0.0, 1.0), max_size=8))
def test_labels_are_moved_apart_and_stay_in_the_panel(wanted):
    moved = plotly.apart(wanted, 0.1, 0.0, 1.0)
    ordered = sorted(moved)
    assert all(after - before >= 0.1 - 1e-9 for before, after in pairwise(ordered))
    assert all(-1e-9 <= height <= 1.0 + 1e-9 for height in moved)
    assert [sorted(range(len(wanted)), key=lambda i: wanted[i])] == [
        sorted(range(len(moved)), key=lambda i: moved[i])
    ]


def test_typed_arrays_come_back_as_they_went():
    assert list(untyped(plotly.typed([1.5, -2.0]))) == [1.5, -2.0]
    assert plotly.typed([0.0])["dtype"] == "f8"
