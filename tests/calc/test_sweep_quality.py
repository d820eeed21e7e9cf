"""When a sweep is to be read again: closure, return to zero, scatter."""

import dataclasses
import math

import numpy as np
import pytest

from linelog.calc.errors import CalcError
from linelog.calc.sweep import Surface, Sweep, SweepSetup, View, check_sweep, reduce_sweep
from linelog.calc.units import Unit

QUARTERS = (0.0, 90.0, 180.0, 270.0)
EIGHT = np.arange(0.0, 360.0, 45.0)
BORE = SweepSetup(Surface.BORE)
STEADY = SweepSetup(Surface.BORE, usual_sd_um=0.3)  # so that the limits set are the limits in effect


def quality(*sweeps, setup=BORE):
    return reduce_sweep(setup, sweeps).quality


def codes(*sweeps, setup=BORE, **limits):
    return [reason.code for reason in check_sweep(reduce_sweep(setup, sweeps), **limits)]


def wave(angles, amplitude, order, at_deg=0.0):
    return amplitude * np.cos(order * np.radians(np.asarray(angles) - at_deg))


def test_closure_is_the_difference_of_opposite_sums():
    """R12 + R6 - R3 - R9 = 4*a2, derived from the harmonics."""
    assert quality(Sweep(QUARTERS, (0, 10, 26, 46))).closure_um == pytest.approx(0 + 26 - 10 - 46)
    assert quality(Sweep(EIGHT, wave(EIGHT, 6, 2) + wave(EIGHT, 30, 1, 70))).closure_um == pytest.approx(24)


def test_closure_from_any_four_positions_a_quarter_turn_apart():
    diagonal = np.array(QUARTERS) + 45
    assert quality(Sweep(diagonal, (5, 1, 5, 1))).closure_um == pytest.approx(8)


def test_closure_from_the_fit_where_no_four_are_a_quarter_turn_apart():
    sixth = np.arange(0, 360, 60.0)
    assert quality(Sweep(sixth, wave(sixth, 6, 2) + wave(sixth, 30, 1, 70))).closure_um == pytest.approx(24)
    assert quality(Sweep((0, 120, 240), (1, 2, 3))).closure_um is None


def test_sag_and_view_leave_the_closure_and_a_reversed_plunger_turns_its_sign():
    sweep = Sweep(QUARTERS, (0, 10, 26, 46))
    sagging = dataclasses.replace(BORE, sag_indicated_um=30.0, view=View.DOMER)
    assert quality(sweep, setup=sagging).closure_um == pytest.approx(-30)
    assert quality(sweep, setup=dataclasses.replace(BORE, plunger_reversed=True)).closure_um == pytest.approx(30)


def test_the_worst_repeat_counts_and_keeps_its_sign():
    good, bad = Sweep(QUARTERS, (0, 10, 26, 16), 1.0), Sweep(QUARTERS, (0, 10, 26, 56), -9.0)
    both = quality(good, bad)
    assert both.closure_um == pytest.approx(-40)
    assert both.return_um == pytest.approx(-9)
    assert both.raw_tir_um == 56.0


def test_out_of_round_of_both_parts():
    assert quality(Sweep(EIGHT, wave(EIGHT, 7, 2, 45))).second.amplitude_um == pytest.approx(7)


def test_a_sound_sweep_is_not_asked_for_again():
    assert codes(Sweep(QUARTERS, (0, 10, 26, 16), 0.0)) == []


def test_limits_pass_and_beyond_them_it_is_asked_for():
    on_limit = Sweep(QUARTERS, (0, 10, 26, -9), 5.0)
    assert codes(on_limit, setup=STEADY) == []
    assert codes(Sweep(QUARTERS, (0, 10, 26, -9.1), 5.1), setup=STEADY) == ["closure", "return"]
    assert codes(on_limit, setup=STEADY, closure_limit_um=24, return_limit_um=6) == ["closure"]


def test_the_sentences_carry_figure_limit_and_unit():
    result = reduce_sweep(STEADY, [Sweep(QUARTERS, (0, 10, 26, 46), 8.0)])
    closure, back = check_sweep(result)
    assert "differ by −0.030\u202fmm (limit 0.025\u202fmm)" in closure.sentence
    assert (closure.field, closure.value_um, closure.limit_um) == ("readings_um", pytest.approx(-30), 25.0)
    assert "read +0.008\u202fmm different at the end (limit 0.005\u202fmm)" in back.sentence
    assert back.field == "return_um"
    for reason in (closure, back):
        assert reason.sentence.endswith("read it again.")
    assert "−0.0012\u202fin" in check_sweep(result, unit=Unit.INCH)[0].sentence


def test_one_misread_position_of_eight_shows_as_scatter():
    readings = wave(EIGHT, 30, 1, 20)
    assert codes(Sweep(EIGHT, readings)) == []
    readings[3] += 25.4  # a graduation of a thousandth missed
    assert codes(Sweep(EIGHT, readings)) == ["scatter"]


def test_an_oval_bore_of_eight_positions_is_not_scatter():
    assert codes(Sweep(EIGHT, wave(EIGHT, 30, 1, 20) + wave(EIGHT, 40, 2, 45))) == []


@pytest.mark.parametrize("limit", [0.0, -5.0, math.nan])
def test_limits_must_be_above_zero(limit):
    result = reduce_sweep(BORE, [Sweep(QUARTERS, (0, 10, 26, 16))])
    with pytest.raises(CalcError) as refused:
        check_sweep(result, closure_limit_um=limit)
    assert refused.value.field == "closure_limit_um"
    with pytest.raises(CalcError):
        check_sweep(result, return_limit_um=limit)
