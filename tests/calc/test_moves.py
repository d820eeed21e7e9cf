import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from linelog.calc.adjust import Adjuster, Kind, mount
from linelog.calc.choose import choose
from linelog.calc.errors import CalcError
from linelog.calc.goal import PIECE_UM, alignment_goal
from linelog.calc.moves import Misalignment, solve_moves

USUAL = tuple((t, None) for t in (25.0, 50.0, 100.0, 200.0, 500.0))


def shim(name, z, stock=USUAL, **more):
    where = {} if "direction" in more or "tilt_at_mm" in more else {"clock_deg": 0.0}
    return Adjuster(name, Kind.SHIM, z, stock=tuple(stock), **where, **more)


def screw(name, z, **more):
    return Adjuster(name, Kind.SCREW, z, clock_deg=90.0, **({"pitch_mm": 1.5, "resolution_um": 10.0} | more))


def slide(name, z, step=0.1, **where):
    return Adjuster(name, Kind.SLIDE, z, resolution_um=step, **(where or {"clock_deg": 0.0}))


def travels(solution):
    return [move.travel_um for move in solution.moves]


def cost_of(x, y, slope_x, slope_y, limit, lever, pieces):
    """The cost as documented, written out a second time from plain numbers."""
    ws = [max(abs(x), lever * abs(slope_x)), max(abs(y), lever * abs(slope_y))]
    rest = abs(x) + abs(y) + lever * (abs(slope_x) + abs(slope_y))
    return sum(w + 20 * max(0.0, w - limit) for w in ws) + 0.05 * rest + pieces


class TestTwoFeet:
    @settings(max_examples=60, deadline=None)
    @given(st.floats(-900, 900), st.floats(-2, 2), st.floats(-400, 400), st.floats(-400, -50), st.floats(50, 400))
    def test_each_foot_by_its_formula(self, y0, slope, z0, zr, zf):
        # Derived: the line of the component, read at the foot, with its sign turned.
        feet = [slide("front", zf), slide("rear", zr)]
        solution = solve_moves(Misalignment(0, y0, z0, 0.0, slope), feet, 25.0)
        wanted = [move.wanted_um for move in solution.moves]
        assert wanted == pytest.approx([-(y0 + slope * (zf - z0)), -(y0 + slope * (zr - z0))], abs=1e-6)
        assert travels(solution) == pytest.approx(wanted, abs=0.3)

    @pytest.mark.parametrize("given_slopes", [(None, None), (0.3, None)])
    def test_an_unmeasured_slope_is_left_alone(self, given_slopes):
        feet = [shim("front", 150.0), shim("rear", -220.0)]
        solution = solve_moves(Misalignment(0, -163.0, 40.0, *given_slopes), feet, 25.0)
        assert travels(solution) == [175.0, 175.0]
        assert solution.after.slope_y_mm_per_m is None

    def test_one_foot_alone_is_never_moved_to_cheat_an_unmeasured_slope(self):
        # Half the offset could be had by one 25 um shim under one foot; the pair cannot be had at all.
        feet = [shim("front", 100.0, [(25.0, 1)]), shim("rear", -100.0, [(25.0, 1)])]
        solution = solve_moves(Misalignment(0, -20.0, 0.0), feet, 10.0)
        assert travels(solution) == [0.0, 0.0]

    def test_four_feet_get_the_same_pack_at_one_z(self):
        feet = [shim(f"{end} {side}", z) for end, z in (("front", 100.0), ("rear", -100.0)) for side in "lr"]
        solution = solve_moves(Misalignment(0, -70.0, 0.0, 0.0, -0.3), feet, 25.0)
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
        solution = solve_moves(lies, feet, 25.4)
        assert [move.wanted_um / inch for move in solution.moves] == pytest.approx([front, rear], abs=1e-9)
        assert [move.travel_um / inch for move in solution.moves] == pytest.approx([-0.005, 0.001], abs=6e-6)


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


def cost_of_solution(solution, limit, lever):
    after = solution.after
    pieces = sum(move.setting.pieces for move in solution.moves)
    slopes = [slope or 0.0 for slope in after.slopes]
    return cost_of(after.x_um, after.y_um, *slopes, limit, lever, pieces)


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
            cost_of(0, 60 + (mf + mr) / 2, 0, (mf - mr) / 200, 25.0, 25.0, 0)
            for mf, mr in product(range(-200, 1), range(-20, 1))
        )
        assert cost_of_solution(solution, 25.0, 25.0) == pytest.approx(least, abs=0.02)
        assert travels(solution)[1] == -20.0

    def test_a_direction_without_adjusters_is_stuck(self):
        solution = solve_moves(Misalignment(60.0, 40.0), [shim("foot", 0.0)], 25.0)
        assert solution.stuck.x_um == pytest.approx(60.0)
        assert solution.stuck.y_um == pytest.approx(0.0, abs=1e-9)
        assert not solution.inside

    def test_no_adjusters_at_all(self):
        solution = solve_moves(Misalignment(60.0, 40.0), [], 25.0)
        assert solution.moves == ()
        assert solution.after == solution.before == solution.stuck

    def test_inside_is_never_moved_outside(self):
        # A shim under the rear foot would bring slope and height to 0.01 mm/m and 9.5 um, better than 0.14 and 2 as
        # shares of their limits; but with 24 um across, which the coarse screw leaves, the radius would pass 25.
        station = [shim("front", 100.0, [(30.0, None)]), shim("rear", -100.0, [(30.0, None)])]
        station.append(screw("side", 0.0, resolution_um=50.0))
        lies = Misalignment(24.0, -2.0, 150.0, 0.0, 0.14)
        solution = solve_moves(lies, station, 25.0, 0.25)
        assert solution.leaves_all
        assert solution.inside
        without_side = solve_moves(replace(lies, x_um=0.0), station, 25.0, 0.25)
        assert travels(without_side) == [0.0, 30.0, 0.0]

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
        assert travels(solution)[0] == pytest.approx(120.0, abs=10.0)

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
        nothing = cost_of(x, y, slope_x, slope_y, 25.0, 25.0 / 0.12, 0)
        assert cost_of_solution(solution, 25.0, 25.0 / 0.12) <= nothing + 0.02
        assert all(-back <= travel <= on for travel in travels(solution))

    @settings(max_examples=60, deadline=None)
    @given(OFFSETS, OFFSETS, SLOPES, SLOPES, st.floats(0, 360))
    def test_turning_everything_turns_the_answer(self, x, y, slope_x, slope_y, angle):
        t = math.radians(angle)

        def turn(a, b):
            return a * math.cos(t) - b * math.sin(t), a * math.sin(t) + b * math.cos(t)

        turned = [replace(a, clock_deg=None, direction=turn(*a.push[:2])) for a in self.STATION]
        once = solve_moves(Misalignment(x, y, 30.0, slope_x, slope_y), self.STATION, 25.0, 0.12)
        again = solve_moves(Misalignment(*turn(x, y), 30.0, *turn(slope_x, slope_y)), turned, 25.0, 0.12)
        assert travels(again) == travels(once)
        assert (again.after.x_um, again.after.y_um) == pytest.approx(turn(once.after.x_um, once.after.y_um), abs=1e-6)

    @settings(max_examples=40, deadline=None)
    @given(OFFSETS, OFFSETS, SLOPES, SLOPES)
    def test_after_the_move_there_is_nothing_left_to_do(self, x, y, slope_x, slope_y):
        once = solve_moves(Misalignment(x, y, 0.0, slope_x, slope_y), self.STATION, 25.0, 0.12)
        again = solve_moves(once.after, self.STATION, 25.0, 0.12)
        lever = 25.0 / 0.12
        left = cost_of(*once.after.offset, *once.after.slopes, 25.0, lever, 0)
        assert left - cost_of_solution(again, 25.0, lever) <= sum(m.setting.pieces for m in once.moves) + 0.05


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
