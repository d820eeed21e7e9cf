"""Moves of a station by its adjusters: each foot by its formula, as far as it can go, and the domer's flange."""

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelog.calc.adjust import Kind
from linelog.calc.errors import CalcError
from linelog.calc.moves import Misalignment, solve_moves
from tests.calc.moving import USUAL, shim, slide, travels


class TestTwoFeet:
    @settings(max_examples=60, deadline=None)
    @given(st.floats(-900, 900), st.floats(-2, 2), st.floats(-400, 400), st.floats(-400, -50), st.floats(50, 400))
    def test_each_foot_by_its_formula(self, y0, slope, z0, zr, zf):
        # Derived: the line of the component, read at the foot, with its sign turned.
        feet = [slide("front", zf), slide("rear", zr)]
        solution = solve_moves(Misalignment(0, y0, z0, 0.0, slope), feet, 25.0, 1.0)
        wanted = [move.wanted_um for move in solution.moves]
        assert wanted == pytest.approx([-(y0 + slope * (zf - z0)), -(y0 + slope * (zr - z0))], abs=1e-6)
        assert solution.after.radial_um <= 0.6
        assert solution.after.slope_mm_per_m <= 0.04  # as much of its limit as 0.5 um is of the offset's, and a step

    @pytest.mark.parametrize("given_slopes", [(None, None), (0.3, None)])
    def test_an_unmeasured_slope_stays_unknown(self, given_slopes):
        feet = [shim("front", 150.0), shim("rear", -220.0)]
        solution = solve_moves(Misalignment(0, -163.0, 40.0, *given_slopes), feet, 25.0, 0.5)
        assert solution.inside
        assert solution.after.slope_y_mm_per_m is None
        assert solution.turned_mm_per_m <= 0.5

    def test_four_feet_get_the_same_pack_at_one_z(self):
        feet = [shim(f"{end} {side}", z) for end, z in (("front", 100.0), ("rear", -100.0)) for side in "lr"]
        solution = solve_moves(Misalignment(0, -75.0, 0.0, 0.0, -0.25), feet, 25.0, 0.1)
        assert travels(solution) == [100.0, 100.0, 50.0, 50.0]
        assert solution.strain_um == pytest.approx(0.0, abs=1e-9)


class TestRimAndFace:
    """B2: the two-foot rim-and-face formula, with dial readings from exact geometry in the plane of the feet.

    Inches, z toward the rear from the plane of the dials. The mover's axis is y = 0.010 - 0.0005 z, the stationary
    one y = 0. Published rule F = bf*B/D - br/2 in an anonymous note on the face-and-rim formula, another note prints
    + br/2; the geometry settles that the minus sign is right with the bracket on the mover. Numbers derived.
    """

    D, B, A = 6.0, 10.0, 22.0
    RADIUS = 3.0

    @staticmethod
    def press(start, along, point, normal):
        """Distance from a dial, along its plunger, to a surface given by a point of it and its normal."""
        return np.dot(np.subtract(point, start), normal) / np.dot(along, normal)

    def bottom_readings(self, carrier, other):
        """Rim and face at the bottom, zeroed at the top, plunger pushed in positive; axes as (y at z = 0, slope)."""

        def axis(line):
            unit = np.array([line[1], 1.0]) / math.hypot(line[1], 1.0)  # (y, z)
            return np.array([line[0], 0.0]), unit, np.array([unit[1], -unit[0]])

        (centre, along, up), (base, other_along, other_up) = axis(carrier), axis(other)
        rim, face = {}, {}
        for side in (+1.0, -1.0):
            far = centre + side * 2 * self.RADIUS * up
            rim[side] = -self.press(far, -side * up, base + side * self.RADIUS * other_up, other_up)
            behind = centre + side * self.D / 2 * up + self.toward_other(carrier) * -1.0 * along
            face[side] = -self.press(behind, self.toward_other(carrier) * along, base, other_along)
        return rim[-1.0] - rim[1.0], face[-1.0] - face[1.0]

    @staticmethod
    def toward_other(carrier):
        return -1.0 if carrier == TestRimAndFace.MOVER else 1.0  # the mover lies behind, so it looks forward

    MOVER, STATIONARY = (0.010, -0.0005), (0.0, 0.0)

    @pytest.mark.parametrize(
        ("on_mover", "rim", "rim_sign"), [(True, 0.02, +1.0), (False, -0.02, -1.0)], ids=["mover", "stationary"]
    )
    def test_the_move_agrees_with_the_formula(self, on_mover, rim, rim_sign):
        halves = (self.MOVER, self.STATIONARY) if on_mover else (self.STATIONARY, self.MOVER)
        br, bf = self.bottom_readings(*halves)
        assert (br, bf) == pytest.approx((rim, 0.003), abs=2e-6)
        front = bf * self.B / self.D - rim_sign * br / 2
        rear = bf * self.A / self.D - rim_sign * br / 2
        assert (front, rear) == pytest.approx((-0.005, 0.001), abs=2e-6)

        inch = 25_400.0
        lies = Misalignment(0.0, rim_sign * br / 2 * inch, 0.0, 0.0, -bf / self.D * 1000)
        feet = [slide("front foot", self.B * 25.4), slide("rear foot", self.A * 25.4)]
        solution = solve_moves(lies, feet, 25.4, 0.001)
        assert [move.wanted_um / inch for move in solution.moves] == pytest.approx([front, rear], abs=1e-9)
        assert [move.travel_um / inch for move in solution.moves] == pytest.approx([-0.005, 0.001], abs=2e-5)


class TestReach:
    def test_out_of_bounds_goes_as_far_as_it_can_and_says_so(self):
        solution = solve_moves(Misalignment(0, 400.0), [shim("foot", 0.0, min_um=-250.0, max_um=100.0)], 25.0)
        (move,) = solution.moves
        assert move.travel_um == -250.0
        assert not move.in_bounds
        assert move.short_um == pytest.approx(150.0)
        assert not solution.inside

    def test_when_one_foot_is_bounded_the_other_makes_the_best_of_it(self):
        feet = [slide("front", 100.0, 1.0), replace(slide("rear", -100.0, 1.0), min_um=-20.0)]
        solution = solve_moves(Misalignment(0, 60.0, 0.0, 0.0, 0.0), feet, 25.0, 1.0)
        least = min(
            abs(60 + (mf + mr) / 2) for mf, mr in product(range(-200, 1), range(-20, 1)) if abs(mf - mr) / 200 <= 1.0
        )
        assert solution.after.radial_um == pytest.approx(least, abs=0.5)
        assert travels(solution)[1] >= -20.0
        assert solution.inside

    def test_a_direction_without_adjusters_is_stuck(self):
        solution = solve_moves(Misalignment(60.0, 40.0), [shim("foot", 0.0)], 25.0)
        assert solution.stuck.x_um == pytest.approx(60.0)
        assert solution.stuck.y_um == pytest.approx(0.0, abs=1e-9)
        assert not solution.inside

    def test_no_adjusters_at_all(self):
        solution = solve_moves(Misalignment(60.0, 40.0), [], 25.0)
        assert solution.moves == ()
        assert solution.after == solution.before == solution.stuck

    @pytest.mark.parametrize("limit", [0.0, -1.0, math.nan, math.inf, 1e308, 1e-300])
    def test_a_limit_must_be_one(self, limit):
        with pytest.raises(CalcError) as caught:
            solve_moves(Misalignment(1.0, 1.0), [], limit)
        assert caught.value.field == "limit_um"
        with pytest.raises(CalcError):
            solve_moves(Misalignment(1.0, 1.0), [], 25.0, limit)


class TestDomer:
    """Tilt shims on a bolt circle, side slides for the offset."""

    POINTS = tuple((90.0 * math.sin(t), 90.0 * math.cos(t)) for t in np.radians([0, 120, 240]))

    def station(self, stock=USUAL):
        arms = [shim(f"shim {k}", 700.0, stock, tilt_at_mm=point) for k, point in enumerate(self.POINTS)]
        return [slide("across", 700.0, 5.0, clock_deg=90.0), slide("up", 700.0, 5.0), *arms]

    def test_the_flange_comes_square(self):
        solution = solve_moves(Misalignment(40.0, -25.0, 700.0, 0.6, -0.4), self.station(), 25.0, 0.2)
        shims = np.array(travels(solution)[2:])
        # A plane through the three shims, by its own three equations: dz - slope_x*x - slope_y*y.
        rows = [[1.0, -x, -y] for x, y in self.POINTS]
        _, turn_x, turn_y = np.linalg.solve(rows, shims)
        assert solution.after.slope_x_mm_per_m == pytest.approx(0.6 + turn_x)
        assert solution.after.slope_y_mm_per_m == pytest.approx(-0.4 + turn_y)
        assert solution.inside
        assert travels(solution)[:2] == [-40.0, 25.0]

    def test_the_slides_follow_what_the_tilt_does_ahead_of_them(self):
        lies = Misalignment(0.0, 0.0, 900.0, 0.6, -0.4)  # the reference lies 200 mm ahead of the flange
        solution = solve_moves(lies, self.station([(5.0, None)]), 25.0, 0.2)
        assert solution.after.radial_um < 6.0
        assert travels(solution)[0] == pytest.approx(120.0, abs=20.0)

    def test_shifts_along_the_ram_are_reported(self):
        only_in = [replace(a, pieces_um=()) if a.kind is Kind.SHIM else a for a in self.station()]
        solution = solve_moves(Misalignment(0, 0, 700.0, 0.6, -0.4), only_in, 25.0, 0.2)
        assert solution.endways_um == pytest.approx(sum(travels(solution)[2:]) / 3)
        assert min(travels(solution)[2:]) == 0.0  # no further forward than the tilt asks
        assert solution.inside

    def test_it_moves_along_the_ram_no_more_than_it_must(self):
        # By hand: -90, +45, +45 um would square it; with 60 um to go back, all three come forward by 30.
        arms = [slide("arm", 700.0, 5.0, tilt_at_mm=point) for point in self.POINTS]
        bounded = [replace(arm, min_um=-60.0) for arm in arms]
        free, held = (solve_moves(Misalignment(0, 0, 700.0, 0.0, -1.0), each, 25.0, 0.2) for each in (arms, bounded))
        assert travels(free) == [-90.0, 45.0, 45.0]
        assert travels(held) == [-60.0, 75.0, 75.0]
        assert (free.endways_um, held.endways_um) == pytest.approx((0.0, 30.0))
