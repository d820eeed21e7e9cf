"""Readings that deserve doubt: what the dial explains, what a closure hides, which reading is to blame."""

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from linelog.calc.dial import Dial
from linelog.calc.doubt import ReadingNoise, too_coarse
from linelog.calc.harmonics import fit_harmonics
from linelog.calc.lobes import UsualLobes, learn_lobes
from linelog.calc.proof import sweeps_to_prove
from linelog.calc.readings import View
from linelog.calc.suspect import Slip, find_slip, find_suspect
from linelog.calc.sweep import Surface, Sweep, SweepSetup, check_sweep, reduce_sweep
from linelog.calc.uncertainty import Part, planar, pool_scatter
from linelog.calc.units import Unit
from linelog.calc.verdict import Verdict, judge

QUARTERS = (0.0, 90.0, 180.0, 270.0)
THIRDS = (0.0, 120.0, 240.0)
EIGHT = np.arange(0.0, 360.0, 45.0)


def bore(step_um=1.0, **more):
    return SweepSetup(Surface.BORE, resolution_um=step_um, **more)


def blamed(setup, sweep, unit=Unit.MM):
    reasons = check_sweep(reduce_sweep(setup, [sweep]))
    return find_suspect(setup.dial, [sweep], setup.sag_at_six_um, reasons, unit)


@pytest.mark.parametrize("step", [10.0, 20.0, 25.4])
def test_one_step_of_return_and_two_of_closure_are_the_dials_own(step):
    """Common practice, no source: a coarse dial shows one step of return and two of closure by itself."""
    sound = Sweep(QUARTERS, (0.0, step, 2 * step, -step), step)
    assert check_sweep(reduce_sweep(bore(step, usual_sd_um=0.5), [sound])) == ()
    off = dataclasses.replace(sound, return_um=2 * step)
    assert [one.code for one in check_sweep(reduce_sweep(bore(step, usual_sd_um=0.5), [off]))] == ["return"]


def test_step_squared_over_twelve_is_in_the_f_test():
    """JCGM 100:2008, F.2.2.1: rounding alone gives a variance of step^2/12. F by scipy's own distribution."""
    rounded = pool_scatter(math.hypot(2.5, 25.4 / math.sqrt(12.0)), 3, 2.5, 8.0, 25.4)
    assert rounded.chance == pytest.approx(stats.f.sf(1.0, 3, 8))
    assert rounded.sd == pytest.approx(2.5)  # its own line of the budget holds the step
    assert pool_scatter(7.7, 3, 2.5, 8.0).chance < 0.01


def test_closure_that_the_dial_does_not_explain_adds_half_of_itself_to_u():
    """A reading misread by m closes by m and moves (R6 - R12)/2 by m/2: derived."""
    sound, misread = (reduce_sweep(bore(), [Sweep(QUARTERS, (by, 0.0, 0.0, 0.0))]).offset for by in (0.0, 20.0))
    assert pytest.approx(sound.up.U + 10.0) == misread.up.U
    assert pytest.approx(sound.radial.U + 10.0) == misread.radial.U
    assert misread.up.u == pytest.approx(sound.up.u)
    explained = reduce_sweep(bore(10.0), [Sweep(QUARTERS, (10.0, 0.0, 0.0, 0.0))]).offset
    assert pytest.approx(reduce_sweep(bore(10.0), [Sweep(QUARTERS, (0.0,) * 4)]).offset.up.U) == explained.up.U


def test_a_linear_part_keeps_its_size_through_scaling():
    part = Part("closure", 0.0, 0.0, linear=10.0)
    scaled = planar(3.0, 4.0, [part.scaled(-0.1), Part("rest", 1.0, 1.0)])
    assert pytest.approx(1.0 + 2.0) == scaled.radial.U
    assert scaled.across.U == scaled.up.U == pytest.approx(3.0)


def test_a_misread_inside_the_closure_limit_proves_nothing_false():
    """30 um off, limit 25; 6 o'clock misread by 25 um makes 17.5 of it: not proven, where it was proven in."""
    found = reduce_sweep(bore(), [Sweep(QUARTERS, (-30.0, 0.0, 30.0 - 25.0, 0.0))]).offset
    assert found.size == pytest.approx(17.5)
    assert judge(found.size, found.radial.U, 25.0).verdict is Verdict.NOT_PROVEN


@pytest.mark.parametrize("turn_deg", [0.0, 20.0, 45.0])
def test_three_positions_take_lobes_for_an_offset(turn_deg):
    """Order 2 at three equal positions is order -1: the amplitude goes over whole (sampling theorem)."""
    angles = np.array(THIRDS)
    bias = fit_harmonics([angles], [np.zeros(3)]).lobe_bias
    fit = fit_harmonics([angles], [6.0 * np.cos(2.0 * np.radians(angles - turn_deg))])
    assert math.hypot(fit.sin_um, fit.cos_um) == pytest.approx(6.0)
    turn = 2.0 * math.radians(turn_deg)
    assert [fit.sin_um, fit.cos_um] == pytest.approx(list(bias @ [6.0 * math.sin(turn), 6.0 * math.cos(turn)]))


def test_an_allowance_for_lobes_where_they_hide_and_none_where_they_do_not():
    usual = UsualLobes(4.0, 12.0, 6)
    for angles, extra in ((THIRDS, 8.0), (QUARTERS, 0.0), (tuple(EIGHT), 0.0)):
        plain, allowed = (
            reduce_sweep(bore(lobes=one), [Sweep(angles, (0.0,) * len(angles))]).offset
            for one in (UsualLobes(0.0), usual)
        )
        assert allowed.across.u**2 - plain.across.u**2 == pytest.approx(extra)  # 4^2/2 each way


def test_half_a_turn_is_allowed_more_than_three_equal_positions():
    half = tuple(np.arange(0.0, 181.0, 45.0))
    part = next(
        one
        for one in reduce_sweep(bore(lobes=UsualLobes(4.0)), [Sweep(half, (0.0,) * 5)]).offset.budget
        if one.name == "out-of-round not seen"
    )
    assert part.var_x + part.var_y > 16.0


def test_lobes_are_learned_from_three_sweeps_on_and_bounded_by_the_closure_limit_before():
    assert learn_lobes([3.0, 4.0, 5.0], 25.0) == UsualLobes(pytest.approx(math.sqrt(50.0 / 3.0)), 6.0, 3)
    bound = learn_lobes([3.0, 4.0], 25.0)
    assert bound == UsualLobes(pytest.approx(25.0 / 4.0 / math.sqrt(3.0)), None, 0)


def test_a_dial_is_too_coarse_where_two_steps_exceed_the_limit():
    assert too_coarse(25.4, 25.0)
    assert not too_coarse(12.5, 25.0)


@pytest.mark.parametrize(("at", "by"), [(2, 100.0), (5, -60.0), (0, 40.0)])
def test_the_reading_that_does_not_fit_is_named_from_eight_positions(at, by):
    readings = 30.0 * np.cos(np.radians(EIGHT - 20.0)) + 5.0 * np.cos(2.0 * np.radians(EIGHT))
    right = float(readings[at])
    readings[at] += by
    found = blamed(bore(), Sweep(tuple(EIGHT), tuple(readings), float(readings[0]) if at else right))
    assert (found.angle_deg, found.typed_um) == (EIGHT[at], readings[at])
    assert found.fits_um == pytest.approx(right, abs=1.0)


def test_readings_all_over_the_place_blame_nobody():
    rng = np.random.default_rng(11)
    for _ in range(20):
        assert blamed(bore(), Sweep(tuple(EIGHT), tuple(rng.normal(0.0, 200.0, 8)))) is None


def test_seen_from_the_domer_with_a_dial_that_counts_down_it_is_named_as_typed():
    setup = dataclasses.replace(bore(), view=View.DOMER, plunger_reversed=True, sag_indicated_um=40.0)
    readings = 30.0 * np.cos(np.radians(EIGHT - 20.0)) - 20.0 * (1.0 - np.cos(np.radians(EIGHT)))
    readings[2] += 100.0
    found = blamed(setup, Sweep(tuple(EIGHT), tuple(readings)))
    assert (found.angle_deg, found.fits_um) == (90.0, pytest.approx(readings[2] - 100.0, abs=1.0))


@pytest.mark.parametrize(
    ("typed", "at", "slip"),
    [
        ((0.0, 148.0, 10.0, -38.0), 90.0, Slip.DIGIT),  # 0.048
        ((0.0, 480.0, 10.0, -38.0), 90.0, Slip.POINT),  # 0.048
        ((0.0, 48.0, 10.0, 38.0), 270.0, Slip.SIGN),  # -0.038
    ],
)
def test_with_four_positions_a_slip_of_typing_is_named(typed, at, slip):
    """The plant's usual scatter is small here: what is uncertain anyway explains many a digit."""
    found = blamed(bore(usual_sd_um=1.0), Sweep(QUARTERS, typed))
    assert (found.angle_deg, found.slip) == (at, slip)


def test_with_four_positions_and_no_slip_nobody_is_named():
    assert blamed(bore(), Sweep(QUARTERS, (0.0, 83.0, 10.0, -38.0))) is None


def test_only_the_return_is_off():
    readings = tuple(30.0 * np.cos(np.radians(EIGHT - 20.0)))
    found = blamed(bore(), Sweep(tuple(EIGHT), readings, readings[0] + 70.0))
    assert (found.is_return, found.angle_deg, found.fits_um) == (True, 0.0, readings[0])
    # Four readings can't say which of the two is wrong, unless a slip says it.
    assert blamed(bore(), Sweep(QUARTERS, (30.0, 0.0, -30.0, 0.0), 57.0)) is None
    assert blamed(bore(), Sweep(QUARTERS, (130.0, 0.0, -130.0, 0.0), -130.0)).slip is Slip.SIGN


def test_slips_are_those_of_the_unit_typed_in():
    assert find_slip(148.0, 48.0, 5.0, Unit.MM) is Slip.DIGIT
    assert find_slip(254.0, 508.0, 5.0, Unit.INCH) is Slip.DIGIT  # .010 for .020
    assert find_slip(254.0, 354.0, 10.0, Unit.INCH) is None
    assert find_slip(48.0, 148.0, 5.0, Unit.MM) is None  # nothing was typed there
    assert find_slip(20.0, 30.0, 5.0, Unit.MM) is None  # what is uncertain anyway


def test_more_sweeps_prove_what_scatter_hides():
    """4 positions, u = 2.5/sqrt 2 each way, k of 8 degrees of freedom: size + U from 25.4 to below 25, by hand."""
    value = planar(21.2, 0.0, [Part("scatter", 3.125, 3.125, dof=8.0, repeats=1)])
    found = sweeps_to_prove(value, 25.0, 4)
    for more, proven in ((found.more - 1, False), (found.more, True)):
        k = stats.t.isf((1.0 - 0.9545) / 2.0, 8.0 + 3 * more)
        assert bool(21.2 + k * math.sqrt(3.125 / (1 + more)) <= 25.0) is proven
    assert found.verdict is Verdict.IN


def test_no_number_of_sweeps_gets_past_what_does_not_scatter():
    parts = [Part("scatter", 3.0, 3.0, dof=8.0, repeats=1), Part("sag", 0.0, 4.0)]
    found = sweeps_to_prove(planar(0.0, 22.0, parts), 25.0, 4)
    assert (found.more, found.verdict, found.expanded) == (None, None, pytest.approx(4.0, abs=0.01))
    assert sweeps_to_prove(planar(0.0, 15.0, parts), 25.0, 4, doubt=8.0).more is None


def test_what_sound_readings_reach():
    """Normal law, scipy: a closure has 2, a return sqrt 2 deviations of one reading."""
    noise = ReadingNoise(2.5, 1.0)
    assert noise.sd_um == pytest.approx(math.sqrt(2.5**2 + 1.0 / 12.0))
    assert noise.return_limit_um(5.0) == pytest.approx(stats.norm.isf(0.0015) * math.sqrt(2.0) * noise.sd_um)
    assert noise.closure_limit_um(25.0) == 25.0
    assert ReadingNoise(2.5, 25.4).closure_limit_um(25.0) == 50.8
    assert Dial(View.CRANK, False, 1.0, 2.5, 8.0).noise == noise
