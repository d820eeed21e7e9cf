"""Moves for anything that can be measured or typed: they keep their word, and odd input gets one sentence."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelog.calc.adjust import Adjuster, Kind
from linelog.calc.errors import CalcError
from linelog.calc.moves import Misalignment, solve_moves
from tests.calc.moving import screw, shim, slide, travels

OFFSETS = st.integers(-800, 800).map(lambda n: n / 2)
SLOPES = st.integers(-30, 30).map(lambda n: n / 20)


class TestProperties:
    STATION = (shim("front", 140.0), shim("rear", -210.0), screw("front screw", 120.0), screw("rear screw", -200.0))

    @settings(max_examples=60, deadline=None)
    @given(OFFSETS, OFFSETS, SLOPES, SLOPES, st.floats(-300, 600))
    def test_making_the_move_leaves_what_was_said(self, x, y, slope_x, slope_y, z0):
        solution = solve_moves(Misalignment(x, y, z0, slope_x, slope_y), self.STATION, 25.0, 0.12)
        front, rear, front_screw, rear_screw = travels(solution)
        up, across = np.polyfit([140, -210], [front, rear], 1), np.polyfit([120, -200], [front_screw, rear_screw], 1)
        assert solution.after.x_um == pytest.approx(x + np.polyval(across, z0), abs=1e-6)
        assert solution.after.y_um == pytest.approx(y + np.polyval(up, z0), abs=1e-6)
        assert solution.after.slopes == pytest.approx((slope_x + across[0], slope_y + up[0]), abs=1e-9)
        assert solution.strain_um == pytest.approx(0.0, abs=1e-6)

    @settings(max_examples=60, deadline=None)
    @given(OFFSETS, OFFSETS, SLOPES, SLOPES, st.floats(-300, 600), st.integers(0, 300), st.integers(0, 300))
    def test_never_worse_than_nothing_and_never_out_of_bounds(self, x, y, slope_x, slope_y, z0, back, on):
        station = [replace(a, min_um=-float(back), max_um=float(on)) for a in self.STATION]
        lies = Misalignment(x, y, z0, slope_x, slope_y)
        solution = solve_moves(lies, station, 25.0, 0.12)
        if solution.before.radial_um <= 25.0 and math.hypot(slope_x, slope_y) <= 0.12:
            assert solution.inside  # what is inside is never moved outside
        elif not solution.inside:
            assert solution.after.radial_um <= lies.radial_um + 0.5
        assert all(-back <= travel <= on for travel in travels(solution))

    @settings(max_examples=15, deadline=None)
    @given(OFFSETS, OFFSETS, SLOPES, SLOPES, st.floats(0, 360))
    def test_turning_everything_turns_the_answer(self, x, y, slope_x, slope_y, angle):
        t = math.radians(angle)

        def turn(a, b):
            return a * math.cos(t) - b * math.sin(t), a * math.sin(t) + b * math.cos(t)

        turned = [replace(a, clock_deg=None, direction=turn(*a.push[:2])) for a in self.STATION]
        once = solve_moves(Misalignment(x, y, 30.0, slope_x, slope_y), self.STATION, 25.0, 0.12)
        again = solve_moves(Misalignment(*turn(x, y), 30.0, *turn(slope_x, slope_y)), turned, 25.0, 0.12)
        # Of answers less than 0.5 um apart the one with fewer pieces counts; a turn may round to either side.
        assert again.after.radial_um == pytest.approx(once.after.radial_um, abs=1.0)

    @settings(max_examples=40, deadline=None)
    @given(OFFSETS, OFFSETS, SLOPES, SLOPES)
    def test_after_the_move_there_is_nothing_left_to_do(self, x, y, slope_x, slope_y):
        once = solve_moves(Misalignment(x, y, 0.0, slope_x, slope_y), self.STATION, 25.0, 0.12)
        again = solve_moves(once.after, self.STATION, 25.0, 0.12)
        assert again.after.radial_um >= once.after.radial_um - 0.5
        assert again.inside == once.inside


ODD = st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from([0.0, 1e308, -1e308, 25.0, -0.1, 1e-300])


def answer_or_sentence(place, kinds, limit, tilt_limit):
    try:
        lies = Misalignment(place[0], place[1], 0.0, place[2], place[3])
        station = [
            Adjuster(
                "odd",
                kind,
                z,
                clock_deg=clock,
                stock=((size, None), (25.0, 3)),
                pitch_mm=size,
                resolution_um=size,
                max_um=most,
            )
            for kind, z, clock, size, most in kinds
        ]
        return solve_moves(lies, station, limit, tilt_limit), None
    except CalcError as error:
        return None, error.message


@settings(max_examples=150, deadline=None)
@given(
    st.lists(ODD, min_size=4, max_size=4),
    st.lists(st.tuples(st.sampled_from(Kind), ODD, ODD, ODD, ODD), max_size=3),
    ODD,
    st.none() | ODD,
)
def test_anything_gives_a_finite_answer_or_one_sentence(place, kinds, limit, tilt_limit):
    solution, sentence = answer_or_sentence(place, kinds, limit, tilt_limit)
    if sentence is not None:
        assert sentence.endswith(".")
    else:
        numbers = [*travels(solution), *solution.after.offset, *solution.after.slopes, solution.endways_um]
        assert all(math.isfinite(number) for number in numbers)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-50_000, 50_000),
    st.floats(-50_000, 50_000),
    st.none() | st.floats(-100, 100),
    st.none() | st.floats(-100, 100),
    st.lists(
        st.builds(
            slide,
            st.just("s"),
            st.floats(-2000, 2000),
            st.floats(0.1, 20_000),
            clock_deg=st.floats(-720, 720),
        ),
        max_size=6,
    ),
    st.floats(0.1, 1000),
)
def test_any_mount_gives_a_finite_answer(x, y, slope_x, slope_y, station, limit):
    try:
        solution = solve_moves(Misalignment(x, y, 0.0, slope_x, slope_y), station, limit, None)
    except CalcError:
        return
    assert all(math.isfinite(n) for n in [*travels(solution), *solution.after.offset])
    assert all(low <= t <= high for t, (low, high) in ((m.travel_um, m.adjuster.reach_um) for m in solution.moves))
