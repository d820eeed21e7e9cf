"""What a sweep may hold, and how it is turned upright."""

import math

import pytest

from linelog.calc.errors import CalcError
from linelog.calc.readings import Sweep, View, clock_deg, clock_position, upright

FOUR = (0, 90, 180, 270)


@pytest.mark.parametrize(
    ("angles", "readings", "back", "field", "says"),
    [
        ((0, 90), (1, 2), None, "angles_deg", "at least 3 positions and there are 2"),
        ((), (), None, "angles_deg", "there are 0"),
        (FOUR, (1, 2, 3), None, "readings_um", "4 positions and 3 readings"),
        ((0, 90, 90, 270), (1, 2, 3, 4), None, "angles_deg", "two readings at 3 o'clock"),
        ((0, 90, 180, 360), (1, 2, 3, 4), None, "angles_deg", "two readings at 12 o'clock"),
        ((0, 90, 180, 359.5), (1, 2, 3, 4), None, "angles_deg", "two readings at 12 o'clock"),
        ((0, 90, 180, -90), (1, 2, 3, 4), None, "angles_deg", "0 to 360"),
        ((0, 90, 180, math.nan), (1, 2, 3, 4), None, "angles_deg", "0 to 360"),
        (FOUR, (1, 2, math.nan, 4), None, "readings_um", "reading at 6 o'clock is not a number"),
        (FOUR, (1, math.inf, 3, 4), None, "readings_um", "reading at 3 o'clock is not a number"),
        (FOUR, (1, 2, 3, 60_000), None, "readings_um", "reading at 9 o'clock is more than 50 mm"),
        (FOUR, (1, 2, 3, 4), -1e308, "return_um", "return reading is more than 50 mm"),
        (FOUR, (1, 2, 3, 4), math.nan, "return_um", "return reading is not a number"),
    ],
)
def test_a_sweep_that_cannot_be_is_told_in_one_sentence(angles, readings, back, field, says):
    with pytest.raises(CalcError) as refused:
        Sweep(angles, readings, back)
    assert refused.value.field == field
    assert says in refused.value.message
    assert refused.value.message.endswith(".")


def test_upright_turns_the_view_and_the_plunger():
    seen = upright(Sweep(FOUR, (1, 2, 3, 4), 3), View.DOMER, plunger_reversed=True)
    assert list(seen.angles_deg) == [0, 270, 180, 90]
    assert list(seen.readings_um) == [-1, -2, -3, -4]
    assert seen.return_difference_um == -2
    assert upright(Sweep(FOUR, (1, 2, 3, 4)), View.CRANK, plunger_reversed=False).return_difference_um is None


@pytest.mark.parametrize(
    ("angle", "hand"), [(0, "12"), (90, "3"), (135, "4:30"), (352, "11:30"), (353, "12"), (360, "12"), (15, "12:30")]
)
def test_clock_positions_in_words(angle, hand):
    assert clock_position(angle) == hand


@pytest.mark.parametrize(
    ("x", "y", "angle"), [(0, 1, 0), (2, 2, 45), (3, 0, 90), (0, -1, 180), (-1, 0, 270), (-1, 1, 315), (0, 0, 0)]
)
def test_the_clock_angle_of_an_offset_runs_from_twelve_clockwise(x, y, angle):
    assert clock_deg(x, y) == pytest.approx(angle)
