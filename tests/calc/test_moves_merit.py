"""The order of merit: what is left least is chosen, by counting out every move there is, and by cases in words."""

from itertools import product

import numpy as np
import pytest

from linelog.calc.moves import Misalignment, SeatOffset, solve_moves
from linelog.calc.shopwords import out_of_reach_words, result_words
from linelog.calc.units import Unit
from tests.bench.bench_solver import COLUMNS, compare
from tests.calc.moving import screw, shim, slide, travels


def test_no_answer_is_worse_than_counting_every_move_out():
    # The brute force of the bench (python -m tests.bench.bench_solver), a tenth of its stations.
    table, _ = compare(140, seed=7)
    assert len(table) == 14
    assert {column: sum(row[column] for row in table.values()) for column in COLUMNS} == dict.fromkeys(COLUMNS, 0)
    assert sum(row["inside"] for row in table.values()) > 50


class TestOffsetFirst:
    @pytest.mark.parametrize("slope", [0.3, -1.0, 4.0])
    def test_a_slope_that_cannot_be_mended_keeps_no_offset_from_being_mended(self, slope):
        solution = solve_moves(Misalignment(0, -83.0, 0.0, 0.0, slope), [shim("pack", 0.0)], 20.0, 0.12)
        assert travels(solution) == [75.0]
        assert solution.offset_inside
        assert not solution.inside

    def test_without_a_limit_the_slope_weighs_nothing(self):
        # Two feet of which one is at the end of its travel: the other alone brings the middle true, and turns it.
        feet = [shim("front", 100.0), shim("rear", -100.0, max_um=0.0)]
        free = solve_moves(Misalignment(0, -100.0, 0.0, 0.0, 0.0), feet, 20.0)
        assert travels(free) == [200.0, 0.0]
        assert free.inside

    def test_what_is_stuck_across_is_no_excuse_up_and_down(self):
        # 300 um across hide 17 um of height in the radius (300.5): they are mended all the same.
        solution = solve_moves(Misalignment(300.0, -17.0), [slide("up", 0.0, 1.0)], 20.0)
        assert travels(solution)[0] == pytest.approx(17.0, abs=1.0)


class TestTilt:
    FEET = (shim("front", 100.0, [(50.0, None)]), shim("rear", -100.0, [(50.0, None)]))

    def test_all_inside_comes_before_the_least_offset(self):
        # One foot by 50 brings the middle to 0, at 0.25 mm/m; with nothing moved all is inside.
        solution = solve_moves(Misalignment(0, -25.0, 0.0, 0.0, 0.0), self.FEET, 30.0, 0.12)
        assert solution.leaves_all
        assert solution.inside
        assert travels(solve_moves(Misalignment(0, -25.0, 0.0, 0.0, 0.0), self.FEET, 30.0, 0.3)) != [0.0, 0.0]

    def test_a_slope_pushed_out_is_marked_and_comes_with_what_keeps_it_in(self):
        solution = solve_moves(Misalignment(0, -25.0, 0.0, 0.0, 0.0), self.FEET, 20.0, 0.12)
        assert sorted(travels(solution)) == [0.0, 50.0]
        assert solution.pushes_tilt_out
        assert solution.keeping_tilt.leaves_all
        assert solution.keeping_tilt.after.radial_um == 25.0

    def test_an_unmeasured_slope_is_turned_past_its_limit_only_with_a_mark(self):
        solution = solve_moves(Misalignment(0, -25.0), self.FEET, 20.0, 0.12)
        assert solution.pushes_tilt_out
        assert solution.turned_mm_per_m == pytest.approx(0.25)
        assert not solve_moves(Misalignment(0, -50.0), self.FEET, 20.0, 0.12).pushes_tilt_out


class TestTwoSeats:
    """A cradle measured at two seats is inside when each seat is."""

    SEATS = (SeatOffset("front", 120.0, 0.0, 40.0), SeatOffset("rear", -120.0, 0.0, -40.0))

    def lies(self):
        return Misalignment(0.0, 0.0, 0.0, 0.0, 80.0 / 240.0, self.SEATS)

    def test_a_true_middle_is_not_inside(self):
        stuck = solve_moves(self.lies(), [shim("pack", 0.0)], 20.0)
        assert not stuck.inside
        assert stuck.after.worst.name in ("front", "rear")

    def test_each_seat_is_brought_true(self):
        feet = [slide("front", 120.0, 5.0), slide("rear", -120.0, 5.0)]
        solution = solve_moves(self.lies(), feet, 20.0)
        assert travels(solution) == [-40.0, 40.0]
        assert [seat.radial_um for seat in solution.after.seats] == pytest.approx([0.0, 0.0], abs=1e-9)

    def test_the_worst_seat_is_least_by_counting(self):
        feet = [slide("front", 60.0, 30.0, clock_deg=0.0), slide("rear", -60.0, 30.0, clock_deg=0.0)]
        solution = solve_moves(self.lies(), feet, 12.0)

        def worst(front, rear):
            middle, turn = (front + rear) / 2, (front - rear) / 120
            return max(abs(40 + middle + turn * 120), abs(-40 + middle - turn * 120))

        least = min(worst(f, r) for f, r in product(range(-300, 301, 30), repeat=2))
        assert solution.after.radial_um == pytest.approx(least, abs=0.5)


class TestSharedStock:
    """Two feet want the same piece and there is one."""

    def solve(self, stock):
        feet = [shim("front", 100.0, stock, pieces_um=()), shim("rear", -100.0, stock, pieces_um=())]
        return solve_moves(Misalignment(0, -50.0, 0.0, 0.0, 0.0), feet, 25.0, 0.3)

    def test_pieces_are_shared_out(self):
        solution = self.solve(((50.0, 1), (20.0, 4)))
        used = [t for move in solution.moves for t in (move.pack.put_in if move.pack else ())]
        assert used.count(50.0) <= 1
        assert used.count(20.0) <= 4
        assert solution.inside

    def test_three_packs_of_one_drawer(self):
        # Feet and a side pack in another direction draw on the same drawer.
        stock = ((50.0, 2), (25.0, 9))
        station = [
            shim("front", 100.0, stock, pieces_um=()),
            shim("rear", -100.0, stock, pieces_um=()),
            shim("side", 0.0, stock, pieces_um=(), direction=(1.0, 0.0)),
        ]
        solution = solve_moves(Misalignment(-50.0, -50.0, 0.0, 0.0, 0.0), station, 25.0, 0.3)
        assert travels(solution) == [50.0, 50.0, 50.0]
        assert sum(move.pack.put_in.count(50.0) for move in solution.moves) == 2
        assert sum(move.pack.pieces for move in solution.moves) == 4

    def test_twins_need_two_pieces_at_a_time(self):
        stock = ((50.0, 1), (25.0, 4))
        feet = [shim(f"{side} foot", 0.0, stock, pieces_um=()) for side in ("left", "right")]
        solution = solve_moves(Misalignment(0, -50.0), feet, 25.0)
        assert [move.pack.put_in for move in solution.moves] == [(25.0, 25.0)] * 2

    def test_with_plenty_both_get_it(self):
        assert travels(self.solve(((50.0, None), (20.0, None)))) == [50.0, 50.0]


def test_fewest_pieces_of_what_leaves_the_same():
    solution = solve_moves(Misalignment(0, -140.0), [shim("foot", 0.0, [(100.0, None), (70.0, None)])], 20.0)
    assert solution.moves[0].pack.put_in == (70.0, 70.0)


class TestTiltNotProvenOut:
    """A slope that is not proven out of its limit is left (ISO 14253-1: not proven asks for more readings)."""

    FLANGE = tuple(
        shim(f"flange {name}", 0.0, tilt_at_mm=(x, y))
        for name, x, y in (("top", 0, 90), ("left", -78, -45), ("right", 78, -45))
    )
    FEET = (shim("front", 100.0), shim("rear", -100.0))

    @pytest.mark.parametrize("slope", [0.05, -0.11, 0.13])
    def test_no_adjuster_along_the_ram_is_moved_for_it(self, slope):
        lies = Misalignment(60.0, -83.0, 0.0, slope, 0.0)
        station = (*self.FLANGE, slide("up", 0.0), slide("right", 0.0, clock_deg=90.0))
        out, left = (solve_moves(lies, station, 20.0, 0.12, mends_tilt=mends) for mends in (True, False))
        assert any(travels(out)[:3]) == (abs(slope) > 0.1), "a shim of the stock turns it by more than 0.05"
        assert travels(left)[:3] == [0.0, 0.0, 0.0]
        assert travels(left)[3:] == pytest.approx([83.0, -60.0])
        assert left.inside
        assert not left.pushes_tilt_out
        assert left.after.slope_mm_per_m == pytest.approx(abs(slope))
        said = result_words(left, Unit.MM)
        assert ("left as it is: it is not proven out of its limit" in said) == (abs(slope) > 0.12)
        assert out_of_reach_words(left, Unit.MM) == ()

    @pytest.mark.parametrize("slope", [0.1, -0.1, 0.2])
    def test_two_feet_go_alike(self, slope):
        # shim_f = -(y0 + ay*(zf - z0)) and likewise at the rear: only a slope that is out makes them differ.
        lies = Misalignment(0, -75.0, 0.0, 0.0, slope)
        assert travels(solve_moves(lies, self.FEET, 20.0, 0.05)) != [75.0, 75.0]
        assert travels(solve_moves(lies, self.FEET, 20.0, 0.12, mends_tilt=False)) == [75.0, 75.0]

    def test_it_is_not_made_worse_in_silence(self):
        feet = (shim("front", 100.0, [(50.0, None)]), shim("rear", -100.0, [(50.0, None)]))
        solution = solve_moves(Misalignment(0, -25.0, 0.0, 0.0, 0.1), feet, 20.0, 0.12, mends_tilt=False)
        turned = abs(travels(solution)[0] - travels(solution)[1]) / 200.0
        assert turned == pytest.approx(0.25)
        assert solution.after.slope_mm_per_m == pytest.approx(0.15)
        assert solution.pushes_tilt_out
        assert solution.keeping_tilt.leaves_all

    def test_the_offset_left_is_the_least_that_the_rest_can_bring(self):
        """Against the same station without flange and without limit of its slope: there the offset alone counts."""
        draw = np.random.default_rng(5)
        for _ in range(150):
            x, y, slope_x, slope_y = draw.normal(0, (60, 60, 0.06, 0.06)).tolist()
            rest = (shim("foot", 0.0, [(20.0, None), (50.0, None)]), screw("side", 0.0))
            lies = Misalignment(x, y, 0.0, slope_x, slope_y)
            bare = solve_moves(lies, rest, 20.0)
            held = solve_moves(lies, (*self.FLANGE, *rest), 20.0, 0.12, mends_tilt=False)
            assert held.after.radial_um <= bare.after.radial_um + 0.5
            assert held.after.slopes == pytest.approx(lies.slopes)
