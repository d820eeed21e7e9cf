"""The clock of directions: mean, Rayleigh test in plain words, and the face turned the trade's way."""

import math
from itertools import combinations

import numpy as np
import pytest

from linelog.calc.units import Unit
from linelog.trends.clock import chance_words, clock_figure, clock_words, clocks
from linelog.trends.tables import TABLES
from linelog.web import dial
from linelog.web.plotly import untyped
from tests.trends.test_series import on, trend_of

# Zar, Biostatistical Analysis, 5th ed., examples 26.4 and 27.1: mean 99 degrees, 0.001 < p < 0.002.
ZAR = (45, 55, 81, 96, 110, 117, 132, 154)


def toward(day, degrees, size=30.0, **more):
    angle = math.radians(degrees)
    return on(day, x=size * math.sin(angle), y=size * math.cos(angle), **more)


def clock_of(*values):
    trend = trend_of(values)
    (clock,) = clocks(trend)
    return trend, clock


def test_mean_direction_and_chance_are_those_of_the_handbook():
    trend, clock = clock_of(*(toward(day, angle) for day, angle in enumerate(ZAR)))
    assert clock.found.mean_deg == pytest.approx(99.0, abs=0.6)
    assert 0.001 < clock.found.p < 0.002
    assert clock_words(clock).startswith(
        "8 as-found values, mean direction 3:30 o'clock, seen from the crank. They point the same way"
    )
    row = TABLES["directions"](trend, Unit.MM).rows[0]
    assert row[3].value == pytest.approx(99.0, abs=0.6)
    assert row[2].value == 8


def test_the_face_has_12_at_the_top_and_runs_clockwise_with_the_radius_in_the_readers_unit():
    trend, clock = clock_of(*(toward(day, angle, size=25.4) for day, angle in enumerate((90, 90, 90))))
    figure = clock_figure(clock, trend, Unit.INCH)
    hours = next(trace for trace in figure["data"] if trace["name"] == "Hours" and "text" in trace)
    where = dict(zip(hours["text"], zip(untyped(hours["x"]), untyped(hours["y"]), strict=True), strict=True))
    assert where["12"][0] == pytest.approx(0.0)
    assert where["12"][1] > 0.0
    assert where["3"][0] > 0.0
    assert where["3"][1] == pytest.approx(0.0)
    dots = figure["data"][-1]
    assert list(untyped(dots["x"])) == pytest.approx([0.001] * 3)
    assert list(untyped(dots["y"])) == pytest.approx([0.0] * 3, abs=1e-12)
    limit = next(trace for trace in figure["data"] if trace["name"] == "Limit")
    assert np.hypot(untyped(limit["x"]), untyped(limit["y"])) == pytest.approx(38.0 / 25_400)
    assert "0.0015\u202fin" in [note["text"] for note in figure["layout"]["annotations"]]


@pytest.mark.parametrize("degrees", range(0, 360, 15))
@pytest.mark.parametrize("size", [20.0, 60.0, 180.0])
def test_what_the_rings_stand_for_covers_neither_a_value_nor_one_another(degrees, size):
    trend, clock = clock_of(*(toward(day, degrees + 4 * day, size=size * (0.3 + 0.1 * day)) for day in range(8)))
    figure = clock_figure(clock, trend, Unit.MM)
    top = figure["layout"]["xaxis"]["range"][1] / dial.EDGE
    said = [(note["x"], note["y"]) for note in figure["layout"]["annotations"]]
    assert said
    dots = figure["data"][-1]
    values = list(zip(untyped(dots["x"]), untyped(dots["y"]), strict=True))

    def apart(one, other, times):
        across, up = abs(one[0] - other[0]), abs(one[1] - other[1])
        return across > times * dial.HALF_WIDE * top or up > times * dial.HALF_HIGH * top

    assert all(apart(note, value, 1.0) for note in said for value in values)
    assert all(apart(one, other, 2.0) for one, other in combinations(said, 2))


def test_as_left_values_and_offsets_of_zero_have_no_part_in_it():
    _, clock = clock_of(*(toward(day, 180) for day in range(3)), on(4, x=0.0, y=0.0), toward(5, 0, stage="as_left"))
    assert clock.found.n == 3


def test_static_and_running_have_clocks_of_their_own():
    trend = trend_of(
        [*(toward(day, 10) for day in range(3)), *(toward(day, 200, method="running") for day in range(3))]
    )
    means = {clock.series.method: round(clock.found.mean_deg) for clock in clocks(trend)}
    assert means == {"static": 10, "running": 200}


def test_too_few_values_get_a_sentence_in_place_of_a_chart():
    trend, clock = clock_of(toward(1, 10), toward(2, 20))
    assert clock_figure(clock, trend, Unit.MM) is None
    assert clock_words(clock) == "Two as-found values: no common direction yet."


def test_values_that_cancel_have_no_mean():
    _, clock = clock_of(*(toward(day, angle) for day, angle in enumerate((0, 90, 180, 270))))
    assert "no common direction" in clock_words(clock).lower()


def test_values_within_their_own_uncertainty_are_counted():
    _, clock = clock_of(*(toward(day, 10) for day in range(3)), toward(4, 10, size=2.0))
    assert "1 value within its own uncertainty" in clock_words(clock)


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0.6, "No common direction shown"),
        (0.2, "about once in 5 times (p = 0.20)"),
        (0.03, "They seem to point the same way: scattered directions would agree this well about once in 33 times"),
        (0.002, "They point the same way: scattered directions would agree this well about once in 500 times"),
        (0.00001, "less than once in 10 000 times (p < 0.001"),
    ],
)
def test_chance_is_said_in_plain_words(p, words):
    assert words in chance_words(p)
