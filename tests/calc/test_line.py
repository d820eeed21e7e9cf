"""The common line: hand-made cases, every choice tried one by one, and the textbook minimax line."""

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from linelog.calc.errors import CalcError
from linelog.calc.line import SHORTFALL, LineBushing, LineSeat, LineStation, common_line

REAR, FRONT = LineBushing("rear bushing", -500.0, 300.0, 4.0), LineBushing("front bushing", -20.0, 300.0, 4.0)
STUCK = (replace(REAR, reach_um=0.0), replace(FRONT, reach_um=0.0))


def station(name, z, x=0.0, y=0.0, limit=20.0, **more):
    return LineStation(name, z, x, y, limit, **more)


def line_at(z, rear, front):
    share = (z + 500) / 480
    return (1 - share) * np.array(rear) + share * np.array(front)


def test_nothing_to_do():
    (plan,) = common_line([station("tool pack", 200, 12, -10), station("domer", 650, 5, 18)], REAR, FRONT)
    assert plan.opened == ()
    assert plan.hours == 0
    assert plan.worst_share == pytest.approx(math.hypot(5, 18) / 20)
    assert not plan.line_um.any()
    assert not plan.station_moves_um.any()


def test_one_station_out_is_opened_and_set_to_the_line():
    stations = [station("tool pack", 200, 3, 4), station("domer", 650, 30, -40, hours=1.0)]
    plan = common_line(stations, *STUCK)[0]
    assert plan.opened == ("domer",)
    assert plan.hours == 1.0
    assert plan.station_moves_um.tolist() == [[0, 0], [-30, 40]]
    assert plan.residual_um.tolist() == [[3, 4], [0, 0]]


def test_all_out_along_a_line_is_the_bushings():
    """Five stations on one slanting line: two bushings bring them all in, where five openings would be needed."""
    z = [100, 200, 400, 500, 650]
    shifts = [line_at(at, (140, -160), (-90, 220)) for at in z]
    stations = [station(f"s{at}", at, *shift) for at, shift in zip(z, shifts, strict=True)]
    plan = common_line(stations, REAR, FRONT)[0]
    assert plan.opened == ("rear bushing", "front bushing")
    assert plan.bushing_moves_um == pytest.approx(np.array([[140, -160], [-90, 220]]), abs=1e-3)
    assert plan.worst_share == pytest.approx(0.0, abs=1e-4)
    assert plan.line_um == pytest.approx(np.array(shifts), abs=1e-3)


def test_the_sets_opened_differ_and_none_holds_another():
    rng = np.random.default_rng(3)
    stations = [station(f"s{i}", 60 * i + 50, *rng.normal(0, 25, 2), hours=1.0) for i in range(7)]
    plans = common_line(stations, REAR, FRONT, most_plans=3)
    sets = [set(plan.opened) for plan in plans]
    assert len(plans) == 3
    assert not any(a <= b for i, a in enumerate(sets) for j, b in enumerate(sets) if i != j)
    counts = [(len(plan.opened), plan.hours) for plan in plans]
    assert counts == sorted(counts)


def test_ranked_by_hours_the_cheap_openings_come_first():
    """Both stations (two openings, 1 h) or the front bushing (one, 4 h)."""
    stations = [station("a", 100, 30, 0, hours=0.5), station("b", 140, 32, 0, hours=0.5)]
    rear = replace(REAR, reach_um=0.0)
    fewest = common_line(stations, rear, FRONT)
    quickest = common_line(stations, rear, FRONT, rank="hours")
    assert [plan.opened for plan in fewest] == [("front bushing",), ("a", "b")]
    assert [plan.opened for plan in quickest] == [("a", "b"), ("front bushing",)]


def test_both_seats_of_a_station_must_end_inside_and_opening_it_costs_once():
    """Its middle lies on the line, its seats do not: by hand, each is set by its own offset in one opening."""
    seats = (LineSeat(140, 0, -30), LineSeat(320, 0, 30))
    stations = [station("domer", 650, 4, 0), station("tool pack", 230, hours=1.5, seats=seats)]
    plan = common_line(stations, *STUCK)[0]
    assert (plan.opened, plan.hours) == (("tool pack",), 1.5)
    assert plan.station_of.tolist() == [0, 1, 1]
    assert plan.station_moves_um.tolist() == [[0, 0], [0, 30], [0, -30]]
    assert plan.residual_um.tolist() == [[4, 0], [0, 0], [0, 0]]
    stuck = [replace(stations[1], reach_um=0.0)]
    with pytest.raises(CalcError, match="out of reach of its limit stays: tool pack"):
        common_line(stuck, *STUCK)


@pytest.mark.parametrize("seed", range(6))
def test_seats_are_as_good_as_stations_that_are_opened_together(seed):
    """Two seats against one limit: what two single stations at those places would need, in one opening."""
    rng = np.random.default_rng(seed)
    z, offsets = rng.uniform(50, 700, 6), rng.normal(0, 22, (6, 2))
    apart = [station(f"s{i}", z[i], *offsets[i]) for i in range(6)]
    seats = tuple(LineSeat(z[i], *offsets[i]) for i in (0, 1))
    together = [station("both", 0.0, seats=seats), *apart[2:]]
    singles, pairs = common_line(apart, REAR, FRONT)[0], common_line(together, REAR, FRONT)[0]
    merged = {"both" if name in {"s0", "s1"} else name for name in singles.opened}
    assert len(pairs.opened) <= len(merged)
    line = np.array([line_at(at, *pairs.bushing_moves_um) for at in z])
    closed = [i for i in range(6) if ("both" if i < 2 else f"s{i}") not in pairs.opened]
    assert (np.hypot(*(offsets - line)[closed].T) <= 20 + 1e-6).all()


def test_uncertainty_narrows_the_limit():
    """ISO 14253-1: only limit - U is proven inside."""
    close = [station("domer", 650, 18, 0)]
    assert common_line(close, *STUCK)[0].opened == ()
    assert common_line([replace(close[0], u_um=3.0)], *STUCK)[0].opened == ("domer",)


def test_moving_the_line_may_not_tilt_a_square_component():
    """Lifting the front bushing alone by 60 um turns the line by 0.125 mm/m: too much for a limit of 0.1."""
    z = [100, 300, 650]
    stations = [station(f"s{at}", at, 0, line_at(at, (0, 0), (0, 60))[1], limit=10) for at in z]
    free = common_line(stations, replace(REAR, reach_um=0.0), FRONT)[0]
    assert free.opened == ("front bushing",)
    square = [*stations[:2], replace(stations[2], slope_limit_mm_per_m=0.1)]
    plan = common_line(square, replace(REAR, reach_um=0.0), FRONT)[0]
    assert "s650" in plan.opened
    assert plan.slope_mm_per_m[2].tolist() == [0, 0]
    leaning = replace(stations[2], slope_limit_mm_per_m=0.1, slope_y_mm_per_m=0.06)
    plan = common_line([*stations[:2], leaning], replace(REAR, reach_um=0.0), FRONT)[0]
    assert plan.opened == ("front bushing",)
    turned = (plan.bushing_moves_um[1, 1] - plan.bushing_moves_um[0, 1]) / 480
    assert plan.slope_mm_per_m[2, 1] == pytest.approx(0.06 - turned)


def test_out_of_reach_names_the_station():
    stations = [station("tool pack", 200), station("domer", 650, 0, 90, reach_um=50.0)]
    with pytest.raises(CalcError, match=r"stays: domer\.$") as caught:
        common_line(stations, *STUCK)
    assert caught.value.field == "reach_um"


def test_a_limited_reach_is_used_up():
    plan = common_line([station("domer", 650, 65, 0, reach_um=50.0)], *STUCK)[0]
    assert plan.station_moves_um.tolist() == [[-50, 0]]
    assert plan.residual_um.tolist() == [[15, 0]]


def test_minimax_line_of_the_exponential():
    """The line closest to exp on 0..1 has slope e - 1 and misses by 0.1059 (textbook minimax, from memory)."""
    z = np.linspace(0, 1000, 41)
    stations = [LineStation(f"s{at:.0f}", at, 0, 1000 * math.exp(at / 1000), 108.0, reach_um=0.0) for at in z]
    rear, front = LineBushing("rear", -500, 5000), LineBushing("front", 0, 5000)
    plan = common_line(stations, rear, front)[0]
    assert plan.opened == ("rear", "front")
    assert plan.worst_share * 0.108 == pytest.approx(0.1059, abs=6e-5)
    slope = (plan.bushing_moves_um[1, 1] - plan.bushing_moves_um[0, 1]) / 500
    assert slope == pytest.approx(math.e - 1, abs=1e-3)
    assert plan.bushing_moves_um[1, 1] == pytest.approx(894.07, abs=0.5)


def exact_worst(stations, opened):
    """Least worst share for one choice, circles as circles, by a general nonlinear solver (SLSQP)."""
    kept = [s for s, is_open in zip(stations, opened[2:], strict=True) if not is_open]
    if not kept:
        return 0.0
    offset = np.array([[s.x_um, s.y_um] for s in kept])
    share = (np.array([s.z_mm for s in kept]) + 500) / 480
    limit = np.array([s.limit_um for s in kept])
    felt = np.column_stack([1 - share, share])
    far = np.repeat(opened[:2], 2) * 3.0  # hundreds of um

    def shares(v):
        return ((offset / 100 - felt @ v[:4].reshape(2, 2)) ** 2).sum(1) / (limit / 100) ** 2

    start = np.concatenate([np.zeros(4), [shares(np.zeros(4)).max()]])
    found = minimize(
        lambda v: v[4],
        start,
        method="SLSQP",
        bounds=[*((-f, f) for f in far), (0, None)],
        constraints={"type": "ineq", "fun": lambda v: v[4] - shares(v)},
        options={"maxiter": 500, "ftol": 1e-12},
    )
    return math.sqrt(max(shares(found.x[:4]).max(), 0.0))


@pytest.mark.parametrize("seed", range(3))
def test_every_choice_tried_one_by_one(seed):
    """No choice with a smaller cost exists, but for those that need the last half per cent of a limit."""
    rng = np.random.default_rng(seed)
    slant = rng.normal(0, 0.05, 2)
    z = np.sort(rng.uniform(50, 700, 4))
    stations = [
        station(f"s{i}", at, *(slant * at + rng.normal(0, 22, 2)), limit=rng.choice([15, 25, 50]), hours=0.5 + i % 3)
        for i, at in enumerate(z)
    ]
    hours = np.array([4.0, 4.0, *(s.hours for s in stations)])
    choices = [np.array(c) for c in product([0, 1], repeat=6)]
    worst = [exact_worst(stations, c) for c in choices]
    costs = [(c.sum(), hours @ c) for c in choices]
    plan = common_line(stations, REAR, FRONT)[0]
    cost = (len(plan.opened), plan.hours)
    assert cost >= min(c for c, w in zip(costs, worst, strict=True) if w <= 1.0 + 1e-6)
    assert cost <= min(c for c, w in zip(costs, worst, strict=True) if w <= 1.0 - SHORTFALL)
    names = ["rear bushing", "front bushing", *(s.name for s in stations)]
    opened = tuple(int(name in plan.opened) for name in names)
    exact = worst[[tuple(c) for c in choices].index(opened)]
    assert exact - 1e-3 <= plan.worst_share <= exact / (1 - SHORTFALL) + 1e-3


offsets = st.floats(-200, 200)
lines = st.lists(
    st.tuples(st.floats(0, 800), offsets, offsets, st.sampled_from([13.0, 20.0, 38.0, 100.0])), min_size=1, max_size=6
)


@settings(max_examples=15, deadline=None)
@given(lines)
def test_every_plan_keeps_its_word(rows):
    stations = [station(f"s{i}", z, x, y, limit) for i, (z, x, y, limit) in enumerate(rows)]
    for plan in common_line(stations, REAR, FRONT):
        offset = np.array([[s.x_um, s.y_um] for s in stations])
        line = np.array([line_at(s.z_mm, *plan.bushing_moves_um) for s in stations])
        assert plan.line_um == pytest.approx(line, abs=1e-6)
        assert plan.residual_um == pytest.approx(offset - line + plan.station_moves_um, abs=1e-6)
        assert (np.hypot(*plan.residual_um.T) <= [s.limit_um * (1 + 1e-6) for s in stations]).all()
        for s, move in zip(stations, plan.station_moves_um, strict=True):
            assert s.name in plan.opened or not move.any()
        for bushing, move in zip((REAR, FRONT), plan.bushing_moves_um, strict=True):
            assert bushing.name in plan.opened or not move.any()
            assert np.abs(move).max() <= bushing.reach_um + 1e-6


@settings(max_examples=5, deadline=None)
@given(lines)
def test_a_quarter_turn_turns_the_cost_not(rows):
    stations = [station(f"s{i}", z, x, y, limit) for i, (z, x, y, limit) in enumerate(rows)]
    turned = [replace(s, x_um=s.y_um, y_um=-s.x_um) for s in stations]
    first, second = common_line(stations, REAR, FRONT)[0], common_line(turned, REAR, FRONT)[0]
    assert (len(first.opened), first.hours) == (len(second.opened), second.hours)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"limit_um": 0.0}, "limit_um"),
        ({"limit_um": -20.0}, "limit_um"),
        ({"limit_um": math.nan}, "limit_um"),
        ({"x_um": math.inf}, "offset"),
        ({"y_um": 1e308}, "offset"),
        ({"z_mm": "far"}, "z_mm"),
        ({"u_um": 20.0}, "u_um"),
        ({"u_um": -1.0}, "u_um"),
        ({"reach_um": -1.0}, "reach_um"),
        ({"hours": -1.0}, "hours"),
        ({"slope_x_mm_per_m": math.nan}, "slope"),
        ({"slope_limit_mm_per_m": 0.0}, "slope_limit_mm_per_m"),
    ],
)
def test_bad_stations(change, field):
    with pytest.raises(CalcError) as caught:
        common_line([replace(station("domer", 650.0), **change)], REAR, FRONT)
    assert caught.value.field == field


def test_bad_bushings_and_none_to_align():
    with pytest.raises(CalcError, match="in front of"):
        common_line([station("a", 1.0)], FRONT, REAR)
    with pytest.raises(CalcError, match="reach"):
        common_line([station("a", 1.0)], replace(REAR, reach_um=-1.0), FRONT)
    with pytest.raises(CalcError, match="at least one station"):
        common_line([], REAR, FRONT)
    with pytest.raises(CalcError, match="number of plans"):
        common_line([station("a", 1.0)], REAR, FRONT, most_plans=0)
