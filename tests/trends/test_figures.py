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
from linelog.trends.figures import BOTTOM_PX, MOST_BARS, TOP_PX, time_figure
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
    trend = shown(machine, span=Span.MONTHS_3 if grain is Grain.DAY else Span.MONTHS_6, grain=grain)
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


class TestPanelsOfOffsets:
    def panels(self, trend):
        figure = time_figure(trend, Unit.UM)
        axes = {name.replace("axis", ""): axis for name, axis in figure["layout"].items() if name.startswith("yaxis")}
        marks = [trace for trace in figure["data"] if "as found" in trace["name"]]
        return figure, {axis: [trace for trace in marks if trace["yaxis"] == axis] for axis in axes}, axes

    def test_each_station_has_a_scale_of_its_own_that_its_limit_lies_in(self, machine, by):
        invented.history(machine, by, 6, until=NOW)
        figure, marks, axes = self.panels(shown(machine, "tool_pack", "domer"))
        drawn = {axis: traces for axis, traces in marks.items() if traces}
        assert [len(traces) for traces in drawn.values()] == [2, 1], "the seats of one station share a panel"
        for axis in drawn:
            limits = [one for one in traces(figure, "Limit") if one["yaxis"] == axis]
            assert limits
            assert all(untyped(one["y"]).max() < axes[axis]["range"][1] for one in limits)

    def test_running_values_do_not_squash_those_at_rest(self, machine, by):
        visits = invented.history(machine, by, 6, until=NOW)
        domer = machine.stations.get(kind="domer")
        for result in Result.objects.filter(visit__in=visits, station=domer, stage="as_found"):
            Result.objects.filter(pk=result.pk).update(method="running", x_um=800.0, y_um=600.0, radial_um=1000.0)
        _, marks, axes = self.panels(shown(machine, "domer"))
        tops = sorted(axes[axis]["range"][1] for axis, of in marks.items() if any("running" in o["name"] for o in of))
        others = [axis for axis in axes if axis not in marks or not any("running" in o["name"] for o in marks[axis])]
        assert tops[0] > 1000.0
        assert any(0.0 < axes[axis]["range"][1] < 500.0 for axis in others[1:]), "the values at rest keep their scale"

    def test_words_stand_beside_the_panel_one_under_the_other(self, machine, by):
        invented.history(machine, by, 6, until=NOW)
        figure, marks, axes = self.panels(shown(machine, "tool_pack", "domer", "cup_locator"))
        for axis in (axis for axis, of in marks.items() if of):
            said = [note for note in figure["layout"]["annotations"] if note["yref"] == axis]
            assert any(note["text"].startswith("limit ") for note in said)
            assert all(note["x"] == 1.0 and note["xshift"] > 0 for note in said), "right of what is drawn"
            bottom, top = axes[axis]["domain"]
            inside = figure["layout"]["height"] - TOP_PX - BOTTOM_PX
            px = (top - bottom) * inside / axes[axis]["range"][1]
            heights = sorted(note["y"] * px for note in said)
            assert all(after - before >= 16.9 for before, after in pairwise(heights))


def test_a_long_series_shows_its_intervals_as_a_band_and_a_short_one_as_bars(machine):
    invented.counts(machine, 300, until=TODAY)
    for span, long in ((Span.MONTHS_12, True), (Span.MONTHS_3, False)):
        trend = shown(machine, span=span, grain=Grain.DAY)
        figure = time_figure(trend, Unit.MM)
        assert (len(trend.rates["tear_offs"].day) > MOST_BARS) is long
        bands = traces(figure, "Tear-offs: 95 % interval")
        (within,) = traces(figure, "Tear-offs: within")
        assert ("error_y" in within) is not long
        assert len(bands) == int(long)
    band = traces(time_figure(shown(machine, span=Span.MONTHS_12, grain=Grain.DAY), Unit.MM), "Tear-offs: 95 %")[0]
    table = TABLES["tear-offs"](shown(machine, span=Span.MONTHS_12, grain=Grain.DAY), Unit.MM)
    edges = untyped(band["y"])
    assert sorted(edges[~np.isnan(edges)]) == pytest.approx(sorted([*column(table, "low"), *column(table, "high")]))


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
