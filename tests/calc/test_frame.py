"""The turn between frame and view, held against points drawn on a sheet that is looked at from its back."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.frame import clock_words, direction_words, turn, turn_deg, view_words
from linelog.calc.readings import View, clock_deg
from tests.calc.reading_words import toward

VIEWS = st.sampled_from(list(View))
LENGTHS = st.floats(-5000, 5000)


@pytest.mark.parametrize(
    ("hour", "from_behind"), [(12, 12), (1, 11), (2, 10), (3, 9), (4, 8), (5, 7), (6, 6), (9, 3)]
)
def test_a_clock_of_glass_read_from_behind(hour, from_behind):
    # Plain geometry: the hours of a glass clock as they lie for who stands behind it.
    assert turn_deg(30.0 * hour % 360, View.DOMER) == 30.0 * from_behind % 360
    assert turn_deg(30.0 * hour % 360, View.CRANK) == 30.0 * hour % 360


@given(LENGTHS, LENGTHS, VIEWS)
def test_turned_twice_is_where_it_was_and_no_length_changes(x, y, view):
    seen = turn(x, y, view)
    assert turn(*seen, view) == (x, y)
    assert math.hypot(*seen) == math.hypot(x, y)
    assert seen[1] == y


@given(LENGTHS, LENGTHS, VIEWS)
def test_points_and_angles_turn_alike(x, y, view):
    there = clock_deg(*turn(x, y, view))
    apart = (turn_deg(clock_deg(x, y), view) - there + 180.0) % 360.0 - 180.0
    assert abs(apart) < 1e-9 or x == y == 0.0


@given(st.floats(0, 359.99), VIEWS)
def test_a_worded_direction_reads_back_to_half_an_hour(angle, view):
    words = direction_words(math.sin(math.radians(angle)), math.cos(math.radians(angle)), view)
    assert words.startswith("toward ")
    assert words.endswith(view_words(view))
    off = (clock_deg(*toward(words)) - angle + 180.0) % 360.0 - 180.0
    assert abs(off) <= 7.5 + 1e-6


def test_words():
    assert direction_words(1.0, 0.0, View.CRANK) == "toward 3 o'clock, seen from the crank"
    assert direction_words(1.0, 0.0, View.DOMER) == "toward 9 o'clock, seen from the domer"
    assert clock_words([90.0, 270.0], View.DOMER) == "9 or 3 o'clock, seen from the domer"
    assert clock_words([0.0, 90.0, 180.0], View.CRANK) == "12, 3 or 6 o'clock, seen from the crank"
    assert clock_words(225.0, View.DOMER) == "4:30 o'clock, seen from the domer"


def test_what_says_no_direction_is_refused():
    with pytest.raises(ValueError, match="no direction"):
        direction_words(0.0, 0.0, View.CRANK)
