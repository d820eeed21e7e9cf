"""Series: static and running apart, moves and drift paired rightly."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelog.calc.units import Unit
from linelog.plant.models import Line, Machine, Plant, Station
from linelog.production.queries import DaySeries
from linelog.trends.choice import Choice, Grain, Span
from linelog.trends.figures import time_figure
from linelog.trends.rates import counted
from linelog.trends.series import offset_series
from linelog.trends.trend import Trend
from linelog.web.plotly import untyped
from tests.alignment.test_standing import value

TODAY = dt.date(2026, 6, 15)
MACHINE = Machine(pk=1, name="BM 1", line=Line(pk=1, name="Line 1", plant=Plant(pk=1, name="Plant", timezone="UTC")))
STATIONS = [
    Station(pk=5, machine=MACHINE, order=5, name="Tool pack", z_mm=320.0, rear_z_mm=140.0, limit_um=20.0),
    Station(pk=7, machine=MACHINE, order=7, name="Domer", z_mm=650.0, limit_um=38.0),
]


def trend_of(values) -> Trend:
    """A trend without counts or marks, of these values alone."""
    none = np.array([], dtype=np.int64)
    empty = DaySeries(np.array([], dtype="datetime64[D]"), none, none, none, none, none, none.astype(float))
    return Trend(
        machine=MACHINE,
        stations=tuple(STATIONS),
        choice=Choice(Span.MONTHS_12, Grain.WEEK, (5, 7), TODAY),
        zone=dt.UTC,
        offsets=tuple(offset_series(values, STATIONS)),
        set_aside=0,
        counted=counted(empty, by_week=True),
        rates={},
        marks=(),
    )


def on(day: int, **more):
    """A value measured so many days into 2026, one visit a day."""
    made = value(visit=day, **more)
    return replace(made, visit_at=dt.datetime(2026, 1, 1, 8, tzinfo=dt.UTC) + dt.timedelta(days=day))


VALUES = st.lists(
    st.tuples(
        st.integers(0, 12),
        st.sampled_from([(5, "front"), (5, "rear"), (7, "")]),
        st.sampled_from(["static", "running"]),
        st.sampled_from(["as_found", "as_left"]),
        st.floats(-60.0, 60.0),
    ),
    unique_by=lambda row: row[:4],
    max_size=60,
)


def spread_out(rows):
    """Values in the order of time, each radius its own number, so that a point tells which value it is."""
    rows = sorted(rows, key=lambda row: (row[0], row[3]))
    return [
        on(day, station=place[0], seat=place[1], method=method, stage=stage, x=abs(x) + 1.0 + 100.0 * number, y=0.0)
        for number, (day, place, method, stage, x) in enumerate(rows)
    ]


@given(VALUES)
@settings(deadline=None, max_examples=60)
def test_no_trace_ever_holds_both_static_and_running_values(rows):
    """A trace of the chart, line or marks, draws its heights from values of one method and one place alone."""
    values = spread_out(rows)
    by_height = {round(one.radial_um / 1000.0, 9): one for one in values}
    figure = time_figure(trend_of(values), Unit.MM)
    seen = set()
    for trace in figure["data"] if figure else []:
        if trace["name"].startswith(("Limit", "Amended")):
            continue
        heights = [round(y, 9) for y in untyped(trace["y"]) if y == y]
        drawn = [by_height[height] for height in heights]
        assert len({(one.method, one.station_id, one.seat) for one in drawn}) == 1
        assert drawn[0].method in trace["name"], "the word static or running stands in the name"
        if trace["mode"] == "markers":
            assert ("diamond" in trace["marker"]["symbol"]) == (drawn[0].method == "running")
            assert trace["marker"]["symbol"].endswith("-open") == (drawn[0].stage == "as_left")
            seen.update(heights)
    if figure:
        assert seen == set(by_height), "every value is drawn as a mark once"


def test_moves_join_one_visit_and_drift_joins_what_was_left_to_what_was_found_next():
    values = [
        on(1, x=40.0, y=0.0),
        on(1, x=5.0, y=0.0, stage="as_left"),
        on(20, x=15.0, y=0.0),
        on(40, x=30.0, y=0.0),
        on(40, x=3.0, y=0.0, stage="as_left"),
    ]
    (series,) = offset_series(values, STATIONS)
    assert [(a.x_um, b.x_um) for a, b in series.moved()] == [(40.0, 5.0), (30.0, 3.0)]
    assert [(a.x_um, b.x_um) for a, b in series.drifted()] == [(5.0, 15.0), (15.0, 30.0)]


@pytest.mark.parametrize("visits", [0, 1, 2])
def test_fewer_than_three_visits_draw_nothing(visits):
    assert time_figure(trend_of([on(day) for day in range(visits)]), Unit.MM) is None


def test_three_visits_are_drawn():
    assert time_figure(trend_of([on(day) for day in range(3)]), Unit.MM) is not None


def test_the_two_seats_of_a_station_have_lines_of_their_own_look():
    values = [on(day, station=5, seat=seat) for day in range(3) for seat in ("front", "rear")]
    numbers = [series.number for series in offset_series(values, STATIONS)]
    assert numbers == [0, 1]
