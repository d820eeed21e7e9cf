"""The move that is chosen costs least: by counting every choice out, and by the question put to HiGHS outright."""

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from linelog.calc.adjust import Kind, mount
from linelog.calc.choose import choose
from linelog.calc.goal import PIECE_UM, alignment_goal
from linelog.calc.moves import Misalignment, solve_moves
from tests.calc.moving import cost_of, cost_of_solution, screw, shim, travels


def two_feet_by_counting(y0, slope, z0, zf, zr, stock, most, limit, lever):
    """Least cost over every pair of packs with at most `most` pieces of each thickness."""
    packs = {}
    for counts in product(range(-most, most + 1), repeat=len(stock)):
        total = sum(n * t for n, t in zip(counts, stock, strict=True))
        packs[total] = min(packs.get(total, 999), sum(map(abs, counts)))
    best = math.inf
    for (mf, nf), (mr, nr) in product(packs.items(), repeat=2):
        turned = (mf - mr) / (zf - zr)
        y = y0 + mr + turned * (z0 - zr)
        best = min(best, cost_of(0, y, 0, slope + turned, limit, lever, nf + nr))
    return best


@settings(max_examples=40, deadline=None)
@given(
    st.integers(-170, 170),
    st.integers(-8, 8),
    st.sampled_from([-100.0, 0.0, 130.0, 400.0]),
    st.sampled_from([(25.0, 60.0), (30.0, 50.0), (20.0, 50.0, 80.0)]),
    st.sampled_from([12.0, 25.0]),
)
def test_packs_equal_counting_them_all_out(y0, tenths, z0, stock, limit):
    slope, tilt_limit = tenths / 10, 0.15
    feet = [shim("front", 100.0, [(t, None) for t in stock]), shim("rear", -100.0, [(t, None) for t in stock])]
    solution = solve_moves(Misalignment(0, y0, z0, 0.0, slope), feet, limit, tilt_limit)
    assume(not (solution.leaves_all and solution.inside))  # left where moving would break a limit: tested apart
    lever = limit / tilt_limit
    # Packs of at most 4 of a thickness reach every target here but one beyond them all.
    least = two_feet_by_counting(y0, slope, z0, 100.0, -100.0, stock, 4, limit, lever)
    assert cost_of_solution(solution, limit, lever) <= least + 0.02  # 1e-5 of each travel is a tie-break


def least_by_milp(goal, station, low_high_steps):
    """Least cost with pieces and steps themselves as whole-number unknowns: the question put to HiGHS outright."""
    units, bounds = [], []
    for index, adjuster in enumerate(station):
        if adjuster.kind is Kind.SHIM:
            for (thickness, pieces), sign in product(adjuster.stock, (1, -1)):
                units.append((index, sign * thickness, 1.0))
                bounds.append((0, 8 if pieces is None or sign < 0 else pieces))
        else:
            units.append((index, adjuster.step_um, 0.0))
            bounds.append(low_high_steps)
    n, rows, pairs = len(units), len(goal.start), len(goal.worst)
    moved = np.column_stack([goal.effect[:, index] * travel for index, travel, _ in units])
    width = n + rows + 2 * pairs
    at_most = []  # coefficients, right-hand side
    for row in range(rows):
        for sign in (1.0, -1.0):
            line = np.zeros(width)
            line[:n], line[n + row] = sign * moved[row], -1.0
            at_most.append((line, -sign * goal.start[row]))
    for place, pair in enumerate(goal.worst):
        larger, over = n + rows + place, n + rows + pairs + place
        for row in pair:
            line = np.zeros(width)
            line[n + row], line[larger] = 1.0, -1.0
            at_most.append((line, 0.0))
        line = np.zeros(width)
        line[larger], line[over] = 1.0, -1.0
        at_most.append((line, goal.limit))
    drawers = {t: pieces for a in station for t, pieces in a.stock if pieces is not None}
    for thickness, pieces in drawers.items():
        line = np.zeros(width)
        line[:n] = [float(travel == thickness) for _, travel, _ in units]
        at_most.append((line, pieces))
    matrix, right = map(np.array, zip(*at_most, strict=True))
    cost = [*(PIECE_UM * each for _, _, each in units), *goal.weight, *[1.0] * pairs, *[goal.over] * pairs]
    low, high = map(list, zip(*bounds, strict=True))
    rest = rows + 2 * pairs
    solved = milp(
        cost,
        constraints=LinearConstraint(matrix, -np.inf, right),
        bounds=Bounds([*low, *[0.0] * rest], [*high, *[np.inf] * rest]),
        integrality=[1] * n + [0] * rest,
        options={"mip_rel_gap": 0.0},
    )
    assert solved.status == 0
    return solved.fun


@pytest.mark.parametrize(
    ("lies", "stock"),
    [
        ((0.0, -83.0, 0.0, 0.0, 0.2), ((30.0, None), (50.0, None))),
        ((35.0, 61.0, 50.0, 0.1, -0.3), ((25.0, None), (50.0, None))),
        ((-12.0, 18.0, 200.0, None, None), ((20.0, None), (50.0, None))),
        ((0.0, -83.0, 0.0, 0.0, 0.2), ((30.0, 2), (50.0, 1))),
        ((0.0, -75.0, 0.0, 0.0, 0.0), ((25.0, 3), (50.0, 1))),
    ],
)
def test_the_choice_costs_what_highs_says_it_must(lies, stock):
    station = [shim("front", 100.0, stock), shim("rear", -100.0, stock), screw("side", 0.0)]
    x, y, z, *slopes = lies
    body = mount(station, z)
    goal = alignment_goal(station, body, (x, y), tuple(slopes), (25.0, 0.12))
    chosen = choose(goal, station, body, goal.least_squares())
    cost = goal.cost(list(goal.effect.T), [np.float64(one.travel_um) for one in chosen])
    cost += PIECE_UM * sum(one.pieces for one in chosen)
    assert cost == pytest.approx(least_by_milp(goal, station, (-10, 10)), abs=1e-3)


class TestSharedStock:
    """Two feet want the same piece and there is one."""

    FEW = ((50.0, 1), (20.0, 4))

    def solve(self, stock):
        feet = [shim("front", 100.0, stock, pieces_um=()), shim("rear", -100.0, stock, pieces_um=())]
        return solve_moves(Misalignment(0, -50.0, 0.0, 0.0, 0.0), feet, 25.0, 0.3)

    def test_pieces_are_shared_out(self):
        solution = self.solve(self.FEW)
        used = [t for move in solution.moves for t in (move.pack.put_in if move.pack else ())]
        assert used.count(50.0) <= 1
        assert used.count(20.0) <= 4
        assert solution.inside

    def test_the_sharing_is_the_best_by_counting(self):
        best, lever = math.inf, 25.0 / 0.3
        for a50, a20, b50, b20 in product(range(2), range(5), range(2), range(5)):
            if a50 + b50 <= 1 and a20 + b20 <= 4:
                mf, mr = 50 * a50 + 20 * a20, 50 * b50 + 20 * b20
                y, slope = -50 + (mf + mr) / 2, (mf - mr) / 200
                best = min(best, cost_of(0, y, 0, slope, 25.0, lever, a50 + a20 + b50 + b20))
        assert cost_of_solution(self.solve(self.FEW), 25.0, lever) == pytest.approx(best, abs=0.01)

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
