"""An offset carried on along the slope of the path: by hand, from the rules of JCGM 100 (derived, no table)."""

import math

import pytest

from linelog.calc.capture.carry import carried
from linelog.calc.capture.stats import Mean
from linelog.calc.errors import CalcError
from linelog.calc.uncertainty import Part, planar

SEEN = planar(10.0, -4.0, (Part("strokes", 0.5**2, 0.4**2, 0.0, 50.0),))


def slope(value, u=0.002):
    return Mean(value, 0.02, 100, 60.0, u, 58.0, 2.0 * u)


def test_at_the_ring_nothing_changes():
    assert carried(SEEN, None, None, 0.0) is SEEN


def test_a_ram_that_leans_right_leaves_the_component_to_the_left_further_on():
    on = carried(SEEN, slope(0.05), slope(-0.02), 100.0)
    assert (on.x, on.y) == pytest.approx((10.0 - 5.0, -4.0 + 2.0))
    back = carried(SEEN, slope(0.05), slope(-0.02), -100.0)
    assert (back.x, back.y) == pytest.approx((10.0 + 5.0, -4.0 - 2.0))


def test_uncertainty_is_that_of_the_ring_the_slope_and_what_was_carried():
    on = carried(SEEN, slope(0.05), slope(-0.02), 100.0)
    assert on.across.u == pytest.approx(math.sqrt(0.5**2 + 0.2**2 + 5.0**2 / 3.0))
    assert on.up.u == pytest.approx(math.sqrt(0.4**2 + 0.2**2 + 2.0**2 / 3.0))


def test_uncertainty_grows_with_the_distance():
    found = [carried(SEEN, slope(0.05), slope(-0.02), away).radial.U for away in (0.0, 20.0, 60.0, 180.0, 300.0)]
    assert found == sorted(found)
    assert found[-1] > 4.0 * found[0]


def test_what_cannot_be_carried_is_told():
    for away, slopes in ((40.0, (None, None)), (math.nan, (slope(0.1), slope(0.1))), (9e9, (slope(0.1), slope(0.1)))):
        with pytest.raises(CalcError) as told:
            carried(SEEN, *slopes, away)
        assert told.value.field == "z_mm"
        assert told.value.message.endswith(".")
