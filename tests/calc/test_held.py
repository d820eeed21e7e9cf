"""Which way of aligning holds longer: on simulated fleets whose truth is known."""

import numpy as np
import pytest

from linelog.calc.errors import CalcError
from linelog.calc.held import compare_held
from tests.bench.visited_plants import found_again

FLEETS = 40


@pytest.mark.parametrize("true", [1.0, 0.5])
def test_the_interval_holds_the_truth_and_no_difference_is_seldom_claimed(true):
    found = [compare_held(*found_again(seed, true)) for seed in range(FLEETS)]
    assert np.mean([one.low <= true <= one.high for one in found]) >= 0.85
    assert np.exp(np.mean([np.log(one.ratio) for one in found])) == pytest.approx(true, rel=0.1)
    lower, higher = (
        np.mean([one.shown and way for one, way in ways])
        for ways in ([(one, one.ratio < 1.0) for one in found], [(one, one.ratio > 1.0) for one in found])
    )
    assert higher <= 0.03
    assert lower <= 0.03 if true == 1.0 else lower > 0.3


def test_what_was_counted_is_given_back():
    machine, strokes, out, running = found_again(1, 1.0)
    found = compare_held(machine, strokes, out, running)
    assert found.out == (out[~running].sum(), out[running].sum())
    assert found.strokes == (pytest.approx(strokes[~running].sum()), pytest.approx(strokes[running].sum()))
    assert found.machines == 12


def test_too_little_is_refused_with_what_is_missing():
    machine, strokes, out, running = found_again(1, 1.0)
    with pytest.raises(CalcError) as refused:
        compare_held(machine, strokes, out, running & (machine < 3))
    assert refused.value.field == "machines"
    with pytest.raises(CalcError) as refused:
        compare_held(machine, strokes, out & ~running, running)
    assert refused.value.field == "out"
    with pytest.raises(CalcError) as refused:
        compare_held(*(column[:0] for column in (machine, strokes, out, running)))
    assert refused.value.field == "machines"
