"""Clearance by moving the ram to its stops: a rigid bar between two bushings, and the lever away from them."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.clearance import Lever, OtherEnd, clearance, travel_um
from linelog.calc.errors import CalcError


def bar_travel(own_um, other_um, z, z_other, z_dial, ends):
    """The travel at the dial of a straight bar put to both stops, by interpolation along it: an independent way."""
    stops = {"rocks": (-1, 1), "together": (1, -1), "stays": (0, 0)}[ends]
    up = np.interp(0, [0], [0])
    places = []
    for side, there in zip((1, -1), stops, strict=True):
        here, away = side * own_um / 2, there * other_um / 2
        places.append(up + here + (here - away) * (z_dial - z) / (z - z_other))
    return abs(places[0] - places[1])


def test_beside_the_bushing_the_travel_is_the_clearance():
    """Common practice, no source; u of a travel is that of two readings (JCGM 100:2008, F.2.2.1)."""
    found = clearance(42.0, step_um=1.0, scatter_um=0.0)
    assert found.value_um == 42.0
    assert found.u_um == pytest.approx(math.sqrt(2) / (2 * math.sqrt(3)))
    assert found.expanded_um == pytest.approx(2.0 * found.u_um, rel=1e-4)


@given(
    own=st.floats(5, 200),
    other=st.floats(5, 200),
    ahead=st.floats(0, 600),
    ends=st.sampled_from(list(OtherEnd)),
)
def test_ahead_of_the_front_bushing_the_lever_gives_the_clearance_back(own, other, ahead, ends):
    lever = Lever(-20.0 + ahead, -20.0, -500.0, ends, other)
    travel = bar_travel(own, other, -20.0, -500.0, -20.0 + ahead, ends.value)
    assert travel_um(own, lever) == pytest.approx(travel, abs=1e-9)
    held = {"rocks": -1, "together": 1, "stays": 0}[ends.value] * lever.arm * other
    if (held - travel) / (1 + lever.arm) > 0:
        return  # two clearances would give it: said, see below
    assert clearance(travel, step_um=1.0, scatter_um=0.0, lever=lever).value_um == pytest.approx(own, abs=1e-9)


def test_a_worked_lever():
    """Bushings 480 mm apart, dial 240 mm ahead, the nose rocked: 40 + (40 + 30) / 2 = 75 um. Derived."""
    lever = Lever(220.0, -20.0, -500.0, OtherEnd.ROCKS, 30.0, 2.0)
    assert travel_um(40.0, lever) == pytest.approx(75.0)
    found = clearance(75.0, step_um=1.0, scatter_um=0.0, lever=lever)
    assert found.value_um == pytest.approx(40.0)
    assert found.u_um == pytest.approx(math.hypot(math.sqrt(2) / (2 * math.sqrt(3)), 0.5 * 2.0) / 1.5)


@pytest.mark.parametrize(
    ("travel", "lever", "says"),
    [
        (-1.0, None, "must lie between"),
        (math.nan, None, "must be a number"),
        (40.0, Lever(-400.0, -20.0, -500.0, OtherEnd.ROCKS, 30.0), "nearer to the other bushing"),
        (40.0, Lever(100.0, -20.0, -500.0), "must be known"),
        (2.0, Lever(220.0, -20.0, -500.0, OtherEnd.ROCKS, 80.0), "No clearance gives so small a travel"),
        (2.0, Lever(220.0, -20.0, -500.0, OtherEnd.TOGETHER, 80.0), "Two clearances would give this travel"),
        (40.0, Lever(220.0, -20.0, -20.0, OtherEnd.ROCKS, 30.0), "must lie apart"),
    ],
)
def test_what_can_not_be_told_is_said(travel, lever, says):
    with pytest.raises(CalcError, match=says):
        clearance(travel, step_um=1.0, scatter_um=0.0, lever=lever)
