"""The face sweep and the axis through two seats: signs from exact geometry, a published reading, end float."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.errors import CalcError
from linelog.calc.face import FaceSetup, Facing, cancel_end_float, reduce_face, slope_from_tilt
from linelog.calc.readings import Sweep, View
from linelog.calc.seats import axis_from_seats
from linelog.calc.sweep import Surface, SweepSetup, check_sweep, reduce_sweep
from linelog.calc.units import Unit, to_um
from tests.calc.dial_geometry import face_sweep, rim_sweep

QUARTERS = (0.0, 90.0, 180.0, 270.0)


def pair(planar):
    return np.array([planar.x, planar.y])


def test_published_face_readings():
    """US Army TM 10-3930-664-24, p. 3-41: 0, +0.003, -0.002, +0.003 in read 0.005 in in full.

    Derived here: the opposite sums differ by -0.008 in, and the first harmonic is +0.001 in, all of it vertical.
    """
    readings = [to_um(value, Unit.INCH) for value in (0.0, 0.003, -0.002, 0.003)]
    result = reduce_face(FaceSetup(), 100.0, [Sweep(QUARTERS, readings)])
    assert result.quality.raw_tir_um == pytest.approx(to_um(0.005, Unit.INCH), abs=1e-9)
    assert result.quality.closure_um == pytest.approx(to_um(-0.008, Unit.INCH))
    assert result.tir_um == pytest.approx(to_um(0.002, Unit.INCH))
    assert pair(result.tilt) == pytest.approx([0.0, -0.254])
    assert [reason.code for reason in check_sweep(result)] == ["closure"]


@pytest.mark.parametrize("facing", Facing)
@pytest.mark.parametrize("view", View)
@pytest.mark.parametrize("positions", [3, 4, 8])
def test_tilt_and_slope_of_a_component_whose_axis_climbs(facing, view, positions):
    """An axis that goes 0.4 mm right and 0.25 mm up in each metre toward the domer, with its face square to it."""
    slope = np.array([0.4, 0.25])
    angles = np.arange(positions) * 360 / positions
    as_seen_from_crank = angles if view is View.CRANK else -angles
    readings = face_sweep(facing.value, (*(slope / 1000), 1.0), 45.0, as_seen_from_crank)
    result = reduce_face(FaceSetup(facing, view), 45.0, [Sweep(angles, readings)])
    assert pair(result.slope) == pytest.approx(slope, abs=1e-9)
    assert pair(result.tilt) == pytest.approx(-slope, abs=1e-9)
    assert slope_from_tilt(*pair(result.tilt)) == pytest.approx(slope)
    assert result.tir_um == pytest.approx(2 * 45.0 * math.hypot(*slope))
    if positions % 4 == 0:
        assert result.quality.raw_tir_um <= result.tir_um


def test_a_reversed_plunger_negates_the_tilt():
    sweep = Sweep(QUARTERS, (0, 3, 9, 4))
    straight, reverse = (reduce_face(FaceSetup(plunger_reversed=turned), 50.0, [sweep]) for turned in (False, True))
    assert pair(reverse.tilt) == pytest.approx(-pair(straight.tilt))


def test_face_sag_is_taken_out_with_its_sign():
    sagging = dataclasses.replace(FaceSetup(), sag_at_six_um=-4.0, u_sag_um=2.0)
    result = reduce_face(sagging, 50.0, [Sweep(QUARTERS, (0, -2, -4, -2))])
    assert result.tilt.size == pytest.approx(0.0, abs=1e-12)
    plain = reduce_face(FaceSetup(), 50.0, [Sweep(QUARTERS, (0, -2, -4, -2))])
    assert result.tilt.up.u**2 - plain.tilt.up.u**2 == pytest.approx((1.0 / 50.0) ** 2)


def test_uncertainty_is_that_of_the_readings_over_the_radius():
    sweep = Sweep(QUARTERS, (0, 3, 9, 6))
    at_50, at_100 = (reduce_face(FaceSetup(resolution_um=1.0), rho, [sweep]).tilt for rho in (50.0, 100.0))
    assert at_50.up.u == pytest.approx(math.sqrt((2.5**2 + 1 / 12) / 2) / 50)
    assert pytest.approx(2.0) == at_50.up.U / at_100.up.U


@given(st.lists(st.floats(-300, 300), min_size=8, max_size=8))
def test_two_dials_cancel_the_end_float(float_um):
    """The carrier floats by any amount between readings; the tilt comes out all the same."""
    normal, rho, angles = (2e-4, -1e-4, 1.0), 60.0, np.arange(0, 360, 45.0)
    pushed = np.array(float_um)
    first = Sweep(angles, face_sweep("crank", normal, rho, angles) + pushed)
    second = Sweep((angles + 180) % 360, face_sweep("crank", normal, rho, angles + 180) + pushed)
    result = reduce_face(FaceSetup(), rho, [cancel_end_float(first, second)])
    assert pair(result.tilt) == pytest.approx([-0.2, 0.1], abs=1e-9)


def test_two_dials_cancel_end_float_in_the_return_reading_too():
    first = Sweep(QUARTERS, (0, 1, 2, 1), 7.0)
    second = Sweep((180, 270, 0, 90), (0, -1, -2, -1), 3.0)
    assert cancel_end_float(first, second).return_um == 2.0
    assert cancel_end_float(first, dataclasses.replace(second, return_um=None)).return_um is None


@pytest.mark.parametrize("angles", [(0, 90, 180, 270), (180, 270, 0), (180, 0, 270, 90)])
def test_two_dials_must_stand_half_a_turn_apart(angles):
    with pytest.raises(CalcError, match="half a turn") as refused:
        cancel_end_float(Sweep(QUARTERS, (0, 1, 2, 1)), Sweep(angles, [0.0] * len(angles)))
    assert refused.value.field == "angles_deg"


@pytest.mark.parametrize("radius", [0.0, -50.0, math.nan, math.inf, 1e308, 1e-300])
def test_a_radius_that_cannot_be_is_refused(radius):
    with pytest.raises(CalcError) as refused:
        reduce_face(FaceSetup(), radius, [Sweep(QUARTERS, (0, 1, 2, 1))])
    assert refused.value.field == "radius_mm"


@pytest.mark.parametrize(
    ("field", "value"), [("sag_at_six_um", math.nan), ("u_sag_um", -1.0), ("resolution_um", 0.0)]
)
def test_a_setup_that_cannot_be_names_its_field(field, value):
    with pytest.raises(CalcError) as refused:
        FaceSetup(**{field: value})
    assert refused.value.field == field


def seat(offset):
    return reduce_sweep(
        SweepSetup(Surface.BORE, u_shaft_um=1.0), [Sweep(QUARTERS, rim_sweep("bore", "ram", offset, QUARTERS))]
    )


def test_the_axis_through_two_seats():
    """Rear seat 10 um right and 20 um low, front seat 40 um right and level, 120 mm further: +0.25 and +1/6 mm/m."""
    rear, front = seat((10.0, -20.0)), seat((40.0, 0.0))
    axis = axis_from_seats(front, rear, 420.0, 300.0)
    assert pair(axis.front) == pytest.approx([40, 0], abs=0.01)
    assert pair(axis.rear) == pytest.approx([10, -20], abs=0.01)
    assert pair(axis.slope) == pytest.approx([0.25, 1 / 6], abs=1e-4)
    assert axis.slope.across.u == pytest.approx(math.hypot(rear.offset.across.u, front.offset.across.u) / 120)
    assert axis.slope.up.dof > front.offset.up.dof


@pytest.mark.parametrize("z_front", [300.0, 200.0, math.nan, math.inf])
def test_the_front_seat_lies_nearer_the_domer(z_front):
    with pytest.raises(CalcError, match="nearer the domer") as refused:
        axis_from_seats(seat((0, 0)), seat((0, 0)), z_front, 300.0)
    assert refused.value.field == "z_front_mm"
