import math

import numpy as np
import pytest

from linelog.calc.adjust import Adjuster, Kind, mount, travel_matrix
from linelog.calc.errors import CalcError

STOCK = ((25.0, None), (50.0, None))


def slide(name="slide", z=0.0, **where):
    return Adjuster(name, Kind.SLIDE, z, resolution_um=1.0, **(where or {"clock_deg": 0.0}))


def tilt(x, y, **more):
    return Adjuster("t", Kind.SLIDE, 0.0, tilt_at_mm=(x, y), resolution_um=1.0, **more)


class TestPush:
    def test_clock_angles_run_clockwise_from_up(self):
        for clock, x, y in ((0, 0, 1), (90, 1, 0), (180, 0, -1), (270, -1, 0)):
            assert slide(clock_deg=clock).push == pytest.approx((x, y, 0), abs=1e-12)

    def test_a_direction_of_any_length_is_a_direction(self):
        assert slide(direction=(30.0, -40.0)).push == pytest.approx((0.6, -0.8, 0.0))

    def test_along_the_ram_is_forward_unless_it_pushes_back(self):
        assert tilt(10, 0).push == (0.0, 0.0, 1.0)
        assert tilt(10, 0, pushes_back=True).push == (0.0, 0.0, -1.0)


class TestTravelMatrix:
    def test_two_feet_shift_and_turn(self):
        # Derived: a line through (zf, mf) and (zr, mr), read at z0.
        zf, zr, z0 = 120.0, -200.0, 45.0
        A = travel_matrix([slide(z=zf), slide(z=zr)], z0)
        for mf, mr in ((100.0, 0.0), (0.0, 100.0), (-30.0, 70.0)):
            slope = (mf - mr) / (zf - zr)
            assert A @ [mf, mr] == pytest.approx([0.0, mr + slope * (z0 - zr), 0.0, slope], abs=1e-9)

    def test_one_adjuster_alone_shifts_and_does_not_turn(self):
        assert travel_matrix([slide(z=300.0, clock_deg=90)], 0.0).ravel() == pytest.approx([1, 0, 0, 0])

    def test_side_screws_leave_the_height_alone(self):
        A = travel_matrix([slide(z=100.0, clock_deg=90), slide(z=-100.0, clock_deg=90), slide(z=0.0)], 0.0)
        assert A[[1, 3], :2] == pytest.approx(np.zeros((2, 2)))
        assert A[:, 2] == pytest.approx([0, 1, 0, 0])

    def test_four_feet_share_and_a_twisted_set_leaves_strain(self):
        feet = [slide(z=100.0), slide(z=100.0), slide(z=-100.0), slide(z=-100.0)]
        body = mount(feet, 0.0)
        even, twisted = np.array([50.0, 50.0, -50.0, -50.0]), np.array([50.0, -50.0, 0.0, 0.0])
        assert body.to_motion @ even == pytest.approx([0, 0, 0, 0, 0.5], abs=1e-12)
        assert body.strain @ even == pytest.approx(np.zeros(4), abs=1e-12)
        assert body.to_motion @ twisted == pytest.approx(np.zeros(5), abs=1e-12)
        assert body.strain @ twisted == pytest.approx(twisted, abs=1e-12)

    def test_three_jacks_round_the_clock_hold_both_directions(self):
        jacks = [slide(clock_deg=clock) for clock in (0, 120, 240)]
        travel = mount(jacks, 0.0).to_travel @ [30.0, -40.0, 0.0, 0.0, 0.0]
        assert travel_matrix(jacks, 0.0) @ travel == pytest.approx([30.0, -40.0, 0.0, 0.0])

    def test_tilting_behind_the_station_carries_it_across(self):
        # Derived: held across at z = 0, tilted by 1 mm/m, a reference 200 mm ahead moves 200 um.
        arms = [tilt(0, 100.0), tilt(0, -100.0)]
        A = travel_matrix([slide(z=0.0), *arms], 200.0)
        moved = A @ [0.0, -100.0, 100.0]
        assert moved == pytest.approx([0.0, 200.0, 0.0, 1.0])

    def test_feet_all_but_at_one_place_do_not_turn_it(self):
        A = travel_matrix([slide(z=500.0), slide(z=500.0 + 1e-7)], 0.0)
        assert A[3] == pytest.approx([0.0, 0.0])

    def test_no_adjusters(self):
        assert travel_matrix([], 0.0).shape == (4, 0)


def test_four_foot_plane_and_twist():
    # B7, derived (no published number): least-squares plane of four feet on a rectangle; what does not fit is
    # +-(h1 - h2 + h3 - h4)/4. Feet on a plane are points that push square to it, as behind a flange; the slope of
    # the AXIS is the negative of the plane's.
    feet = [tilt(-400.0, -300.0), tilt(400.0, -300.0), tilt(400.0, 300.0), tilt(-400.0, 300.0)]
    heights_um = np.array([0.0, 120.0, 310.0, 150.0])
    body = mount(feet, 0.0)
    motion = body.to_motion @ heights_um
    assert motion[2] / 1000 == pytest.approx(0.145, abs=1e-8)
    assert -motion[3:] == pytest.approx([0.175, 0.28333333], abs=1e-8)
    assert body.strain @ heights_um / 1000 == pytest.approx([0.01, -0.01, 0.01, -0.01], abs=1e-8)


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"kind": Kind.SHIM, "stock": ()}, "stock"),
        ({"kind": Kind.SHIM, "stock": ((0.0, None),)}, "stock"),
        ({"kind": Kind.SHIM, "stock": ((math.nan, None),)}, "stock"),
        ({"kind": Kind.SHIM, "stock": ((25.0, None), (25.0, 3))}, "stock"),
        ({"kind": Kind.SHIM, "stock": ((25.0, -1),)}, "stock"),
        ({"kind": Kind.SHIM, "stock": ((25.0, 1.5),)}, "stock"),
        ({"kind": Kind.SHIM, "stock": ((25.0, math.inf),)}, "stock"),
        ({"kind": Kind.SHIM, "stock": STOCK, "pieces_um": (-25.0,)}, "pieces_um"),
        ({"kind": Kind.SCREW}, "pitch_mm"),
        ({"kind": Kind.SCREW, "pitch_mm": 0.0}, "pitch_mm"),
        ({"kind": Kind.SCREW, "pitch_mm": -1.5}, "pitch_mm"),
        ({"kind": Kind.SCREW, "pitch_mm": 1e308}, "pitch_mm"),
        ({"kind": Kind.SCREW, "pitch_mm": 1e-9}, "pitch_mm"),
        ({"kind": Kind.SCREW, "pitch_mm": 1.5, "resolution_um": 0.0}, "resolution_um"),
        ({"kind": Kind.SLIDE}, "resolution_um"),
        ({"clock_deg": None}, "direction"),
        ({"direction": (1.0, 0.0)}, "direction"),
        ({"clock_deg": None, "direction": (0.0, 0.0)}, "direction"),
        ({"clock_deg": None, "direction": (1.0, 0.0, 0.0)}, "direction"),
        ({"clock_deg": None, "tilt_at_mm": (math.inf, 0.0)}, "tilt_at_mm"),
        ({"clock_deg": math.nan}, "clock_deg"),
        ({"z_mm": math.nan}, "z_mm"),
        ({"z_mm": 1e308}, "z_mm"),
        ({"min_um": 10.0, "max_um": -10.0}, "min_um"),
        ({"min_um": 10.0}, "min_um"),
        ({"max_um": -10.0}, "max_um"),
        ({"max_um": math.inf}, "max_um"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(fields, field):
    given = {"kind": Kind.SLIDE, "z_mm": 0.0, "clock_deg": 0.0} | fields
    if given["kind"] is Kind.SLIDE and field != "resolution_um":
        given["resolution_um"] = 1.0
    with pytest.raises(CalcError) as caught:
        Adjuster("left one", **given)
    assert caught.value.field == field
    assert caught.value.message.endswith(".")
    assert caught.value.message.count(". ") == 0


def test_reach_is_what_bounds_pack_and_stock_allow():
    shim = Adjuster("s", Kind.SHIM, 0.0, clock_deg=0, stock=((50.0, 2), (25.0, 1)), pieces_um=(100.0, 30.0))
    assert shim.reach_um == (-130.0, 125.0)
    assert slide(clock_deg=0, min_um=-5.0).reach_um == (-5.0, 20_000.0)


def test_a_screw_without_resolution_is_set_to_a_quarter_flat():
    # Quarter flats: common practice, no source.
    assert Adjuster("s", Kind.SCREW, 0.0, clock_deg=0, pitch_mm=1.2).step_um == pytest.approx(50.0)
