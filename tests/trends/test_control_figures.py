"""The control charts as they are drawn: few points one by one, many as a band that holds every one of them."""

import datetime as dt

import numpy as np
import pytest

from linelog.production.queries import DaySeries
from linelog.trends.control.charts import charts
from linelog.trends.control.figures import MOST_POINTS, control_figure
from linelog.trends.control.queries import Sums
from linelog.trends.rates import TEAR_OFFS
from linelog.web.plotly import untyped

FIRST = dt.date(2026, 1, 1)
NO_SUMS = Sums(np.array([], dtype="datetime64[D]"), np.array([]), np.array([]))


def drawn_of(days):
    """Counts by chance alone, with one day far above."""
    random = np.random.default_rng(3)
    torn = random.poisson(20.0, days)
    torn[days // 2] = 200
    zero = np.zeros(days, dtype=np.int64)
    day = np.datetime64(FIRST, "D") + np.arange(days)
    series = DaySeries(day, zero + 400_000, zero, torn, zero, zero, np.zeros(days))
    return charts(TEAR_OFFS, series)


def by_name(drawn):
    return {trace["name"]: trace for trace in control_figure(drawn, NO_SUMS, FIRST, ())["data"]}


def test_few_points_are_drawn_one_by_one():
    drawn = drawn_of(MOST_POINTS)
    traces = by_name(drawn)
    assert len(untyped(traces["Within"]["x"])) == int((~drawn.beyond).sum())
    assert "Lowest to highest within" not in traces


def test_many_points_are_a_band_from_the_lowest_to_the_highest_and_those_beyond_stand_out_of_it():
    drawn = drawn_of(3 * MOST_POINTS)
    traces = by_name(drawn)
    assert "Within" not in traces
    band = untyped(traces["Lowest to highest within"]["y"])
    inside = drawn.rate[~drawn.beyond]
    assert (band.min(), band.max()) == pytest.approx((inside.min(), inside.max()))
    middle = untyped(traces["Median within"]["y"])
    assert len(middle) <= MOST_POINTS
    low, high = band[: len(middle)], band[len(middle) :][::-1]
    assert (low <= middle).all()
    assert (middle <= high).all()
    above = untyped(traces["Above the limit"]["y"])
    assert above.max() == pytest.approx(200 / 400_000 * 1e6)
    assert len(above) == int((drawn.beyond & (drawn.rate > drawn.centre)).sum())
