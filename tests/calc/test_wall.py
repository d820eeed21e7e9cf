"""Wall samples: exact eccentric circles, certified regression, honest intervals."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from linelog.calc.errors import CalcError
from linelog.calc.readings import Sweep, View
from linelog.calc.wall import (
    Offcentre,
    Pair,
    WallGauge,
    WallLevels,
    WallState,
    against_offset,
    learn_ratio,
    wall_eccentricity,
    wall_tilt,
)

GAUGE = WallGauge(step_um=1.0, usual_sd_um=1.0, usual_dof=30.0)
# Common practice in can plants, no source: good to 7.5 um, a look at 10, action at 12.5.
LEVELS = WallLevels(7.5, 10.0, 12.5)
EIGHT = tuple(45.0 * k for k in range(8))


def ring(e=5.0, thick_deg=30.0, angles=EIGHT, mean=100.0, noise=None):
    wall = mean + e * np.cos(np.radians(np.array(angles) - thick_deg))
    return Sweep(angles, tuple(wall + (0 if noise is None else noise)))


def wall_of(*rings, **more):
    return wall_eccentricity(rings, more.pop("gauge", GAUGE), more.pop("levels", LEVELS), **more)


def test_eccentric_circles():
    """Derived: die radius 33.2, punch 33.0, offset 0.008 mm; distances along exact rays: mean 0.2, range 0.016."""
    angles = np.arange(0.0, 360.0, 1.0)
    t = np.radians(angles)
    punch, die, e = 33.0, 33.2, 0.008  # the die stands off toward 12 o'clock
    reach = e * np.cos(t) + np.sqrt(die**2 - (e * np.sin(t)) ** 2)
    seen = wall_of(Sweep(tuple(angles), tuple(1000 * (reach - punch))))
    assert seen.mean_um == pytest.approx(200.0, abs=2e-3)
    assert seen.thick.size == pytest.approx(8.0, abs=2e-3)
    assert seen.range_um == pytest.approx(16.0, abs=2e-3)
    assert seen.thick.direction_deg == pytest.approx(0.0, abs=1e-6) or seen.thick.direction_deg > 359.999
    assert seen.thin_deg == pytest.approx(180.0)


def test_thin_side_lies_opposite_the_thick_one():
    seen = wall_of(ring(e=6.0, thick_deg=100.0))
    assert (seen.thick.x, seen.thick.y) == pytest.approx(
        (6 * math.sin(math.radians(100)), 6 * math.cos(math.radians(100)))
    )
    assert seen.thin_deg == pytest.approx(280.0)


def test_seen_from_the_domer_three_and_nine_change_places():
    seen = wall_of(ring(e=6.0, thick_deg=90.0), view=View.DOMER)
    assert (seen.thick.x, seen.thick.y) == pytest.approx((-6.0, 0.0), abs=1e-9)
    assert seen.thin_deg == pytest.approx(90.0)


def test_coefficients_and_their_uncertainty_are_ordinary_least_squares():
    """Against statsmodels OLS; usual scatter set to the residual's own, so that pooling leaves it as it is."""
    readings = np.array([100.0, 112, 131, 147, 158, 144, 130, 114])
    t = np.radians(EIGHT)
    design = np.column_stack([np.ones(8), np.sin(t), np.cos(t), np.sin(2 * t), np.cos(2 * t)])
    fit = sm.OLS(readings, design).fit()
    gauge = WallGauge(1e-9, math.sqrt(fit.scale), 5.0)
    seen = wall_of(Sweep(EIGHT, tuple(readings)), gauge=gauge)
    assert (seen.mean_um, seen.thick.x, seen.thick.y) == pytest.approx(tuple(fit.params[:3]))
    assert (seen.thick.across.u, seen.thick.up.u) == pytest.approx(tuple(fit.bse[1:3]))
    assert seen.thick.across.dof == pytest.approx(3 + 5)


def test_four_points_half_way_between_miss_the_extremes():
    seen = wall_of(ring(e=6.0, thick_deg=45.0, angles=(0.0, 90.0, 180.0, 270.0)))
    assert seen.range_um == pytest.approx(6 * math.sqrt(2))
    assert seen.judged_um == pytest.approx(12.0)
    assert seen.state is WallState.LOOK


@pytest.mark.parametrize(
    ("e", "state"),
    [(3.7, WallState.GOOD), (4.5, WallState.FAIR), (5.5, WallState.LOOK), (6.3, WallState.ACT)],
)
def test_states(e, state):
    assert wall_of(ring(e=e, thick_deg=0.0)).state is state


def test_a_round_wall_has_no_thin_side():
    seen = wall_of(ring(e=0.2, noise=np.array([0.3, -0.4, 0.1, 0.5, -0.2, -0.3, 0.2, -0.2])))
    assert seen.thin_deg is None
    assert seen.thin_within_deg is None


def test_the_thin_side_is_as_certain_as_it_says():
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(200):
        seen = wall_of(ring(e=5.0, thick_deg=100.0, noise=rng.normal(0, 1.0, 8)), gauge=WallGauge(0.01, 1.0, 30.0))
        held += abs(seen.thin_deg - 280.0) <= seen.thin_within_deg
    assert 182 <= held < 200


def test_several_cans_narrow_the_uncertainty():
    rng = np.random.default_rng(1)
    cans = [ring(noise=rng.normal(0, 1, 8), mean=99 + i) for i in range(6)]
    one, six = wall_of(cans[0]), wall_of(*cans)
    assert six.cans == 6
    assert six.thick.radial.u < one.thick.radial.u / 2
    assert six.mean_um == pytest.approx(101.5, abs=0.5)


def test_the_interval_is_honest():
    """U at 95.45 % holds the true value in most of 200 tries, but not in all of them."""
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(200):
        seen = wall_of(ring(e=5.0, thick_deg=30.0, noise=rng.normal(0, 1.0, 8)), gauge=WallGauge(0.01, 1.0, 30.0))
        held += abs(seen.thick.x - 2.5) <= seen.thick.across.U
    assert 182 <= held < 200


def test_tilt_between_two_heights():
    low, high = wall_of(ring(e=4.0, thick_deg=0.0)), wall_of(ring(e=4.0, thick_deg=90.0))
    tilt = wall_tilt(low, 20.0, high, 100.0)
    assert (tilt.x, tilt.y) == pytest.approx((4 / 80, -4 / 80))
    assert tilt.across.u == pytest.approx(math.hypot(low.thick.across.u, high.thick.across.u) / 80)
    with pytest.raises(CalcError, match="above the first"):
        wall_tilt(low, 100.0, high, 20.0)


def test_ratio_through_nought_on_certified_data():
    """NIST StRD data set NoInt1 (x 60..70, y 130..140): B1 2.07438016528926, its sd 0.0165289256198347; from memory.

    The eleven points stand here for both directions, which doubles them: the variance of B1 is then 10/21 of that.
    """
    pairs = [Pair(130.0 + k, 130.0 + k, 60.0 + k, 60.0 + k) for k in range(11)]
    ratio = learn_ratio(pairs)
    half = stats.t.ppf(0.975, 21) * 0.0165289256198347 * math.sqrt(10 / 21)
    assert ratio.value == pytest.approx(2.07438016528926, rel=1e-12)
    assert (ratio.low, ratio.high) == pytest.approx((2.07438016528926 - half, 2.07438016528926 + half))
    assert ratio.clear


def test_ratio_interval_is_honest():
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(200):
        offsets = rng.normal(0, 15, (5, 2))
        walls = 0.4 * offsets + rng.normal(0, 2, (5, 2))
        ratio = learn_ratio([Pair(*w, *o) for w, o in zip(walls, offsets, strict=True)])
        held += ratio.low <= 0.4 <= ratio.high
    assert 180 <= held < 200


def test_too_few_pairs_teach_nothing():
    assert learn_ratio([]) is None
    assert learn_ratio([Pair(4, 0, 10, 0), Pair(5, 0, 12, 0)]) is None
    scattered = learn_ratio([Pair(4, 0, 10, 0), Pair(-4, 1, 10, 0), Pair(0, -5, 0, 12)])
    assert not scattered.clear


def against(wall, offset, ratio):
    return against_offset(Offcentre(wall.thick.x, wall.thick.y, wall.thick.radial.U), Offcentre(*offset), ratio)


def test_against_a_learned_ratio():
    wall = wall_of(ring(e=5.0, thick_deg=90.0))
    ratio = learn_ratio([Pair(4.1, 0, 10, 0), Pair(0, 7.9, 0, 20), Pair(-4, -4, -10, -10)])
    fits = against(wall, (12.5, 0.0, 1.0), ratio)
    assert fits.learned
    assert fits.agrees
    assert (fits.expected_x_um, fits.expected_y_um) == pytest.approx((12.5 * ratio.value, 0.0))
    other_side = against(wall, (-12.5, 0.0, 1.0), ratio)
    assert not other_side.agrees
    assert other_side.difference_um == pytest.approx(5.0 + 12.5 * ratio.value, abs=1e-6)


def test_the_hang_of_the_ram_is_learned_beside_the_ratio():
    """Derived: true offsets o give walls 0.3 o; swept with the ram hanging they read 12 um too high."""
    rng = np.random.default_rng(4)
    true = rng.normal(0, 15, (20, 2))
    read, walls = true + np.array([0.0, 12.0]), 0.3 * true + rng.normal(0, 0.1, (20, 2))
    pairs = [Pair(*w, *o) for w, o in zip(walls, read, strict=True)]
    ratio = learn_ratio(pairs, hanging=True)
    assert ratio.low < 0.3 < ratio.high
    assert ratio.up_um == pytest.approx(-0.3 * 12.0, abs=0.1)
    assert learn_ratio(pairs).scatter_um > 5 * ratio.scatter_um
    found = against_offset(Offcentre(0.0, 3.0, 0.2), Offcentre(0.0, 22.0, 1.0), ratio)
    assert found.agrees
    assert found.rigid_um == pytest.approx(10.0, abs=0.5)
    with pytest.raises(CalcError, match="alike"):
        learn_ratio([Pair(0, 1, 0, 10)] * 3, hanging=True)


def test_most_cans_of_a_plant_agree_with_its_own_ratio_but_not_all():
    """Twelve pairs that scatter by 2 um teach the ratio; a thirteenth of the same kind agrees 95 times in 100."""
    rng = np.random.default_rng(21)
    agreed = 0
    for _ in range(400):
        offsets = rng.normal(0, 15, (13, 2))
        walls = 0.4 * offsets + rng.normal(0, 2, (13, 2))
        ratio = learn_ratio([Pair(*w, *o) for w, o in zip(walls[:12], offsets[:12], strict=True)])
        assert ratio.scatter_dof == 23
        wall, offset = Offcentre(*walls[12], 0.1), Offcentre(*offsets[12], 0.1)
        agreed += against_offset(wall, offset, ratio).agrees
    assert 366 <= agreed < 400


def test_without_a_ratio_stiff_tools_are_the_bound():
    wall = wall_of(ring(e=8.0, thick_deg=0.0))
    assert against(wall, (0.0, 20.0, 1.0), None).agrees
    assert against(wall, (0.0, 8.0, 1.0), None).agrees
    too_much = against(wall, (0.0, 4.0, 1.0), None)
    assert not too_much.agrees
    assert too_much.expected_y_um == 4.0
    assert not against(wall, (0.0, -20.0, 1.0), None).agrees
    assert against(wall, (0.0, 0.0, 10.0), None).agrees


@settings(max_examples=40, deadline=None)
@given(st.floats(0.1, 20), st.floats(0, 359), st.floats(-90, 90))
def test_turning_the_can_turns_the_answer(e, thick, turn):
    one, two = wall_of(ring(e=e, thick_deg=thick)), wall_of(ring(e=e, thick_deg=thick + turn))
    assert two.thick.size == pytest.approx(one.thick.size)
    there = complex(one.thick.y, one.thick.x) * np.exp(1j * math.radians(turn))
    assert complex(two.thick.y, two.thick.x) == pytest.approx(there)


@pytest.mark.parametrize(
    ("angles", "wall"),
    [
        ((0.0, 90.0, 180.0), (100.0, 100.0, 100.0)),
        ((0.0, 90.0, 180.0, 270.0), (100.0, 100.0, 100.0, 0.0)),
        ((0.0, 90.0, 180.0, 270.0), (100.0, -100.0, 100.0, 100.0)),
        ((0.0, 90.0, 180.0, 270.0), (100.0, 9000.0, 100.0, 100.0)),
        ((0.0, 10.0, 20.0, 30.0), (100.0, 101.0, 102.0, 103.0)),
    ],
)
def test_bad_samples(angles, wall):
    with pytest.raises(CalcError):
        wall_of(Sweep(angles, wall))


def test_bad_settings():
    with pytest.raises(CalcError, match="no wall sample"):
        wall_of()
    with pytest.raises(CalcError, match="rise from good"):
        wall_of(ring(), levels=WallLevels(10, 7.5, 12.5))
    with pytest.raises(CalcError, match="must be more than 0"):
        wall_of(ring(), levels=WallLevels(0, 7.5, 12.5))
    with pytest.raises(CalcError, match="gauge's step"):
        wall_of(ring(), gauge=WallGauge(0.0, 1.0, 30))
    with pytest.raises(CalcError, match="must be a number"):
        learn_ratio([Pair(math.nan, 0, 1, 1)] * 3)
    with pytest.raises(CalcError, match="offsets are zero"):
        learn_ratio([Pair(1, 0, 0, 0)] * 3)
    with pytest.raises(CalcError, match="must be a number"):
        against_offset(Offcentre(math.nan, 0.0, 1.0), Offcentre(1.0, 0.0, 1.0), None)
    with pytest.raises(CalcError, match="level"):
        learn_ratio([Pair(1, 0, 2, 0)] * 3, level=1.0)
