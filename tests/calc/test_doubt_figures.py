"""A seeded tenth of tests/bench/bench_doubt.py: read-again is rare and right, and no verdict is false.

A figure fails beyond its goal by three standard errors of the count.
"""

import numpy as np
import pytest

from tests.bench.bench_doubt import caught, false_read_again, false_verdict
from tests.calc.dubious import STEPS_UM, World

SWEEPS = 200


def most(goal, sweeps=SWEEPS):
    return goal + 3.0 * np.sqrt(goal * (1.0 - goal) / sweeps)


@pytest.mark.parametrize("step", STEPS_UM.values(), ids=STEPS_UM)
def test_sound_sweeps_are_seldom_asked_for_again(step):
    rng = np.random.default_rng(1)
    for positions in (4, 6, 8, 12):
        assert false_read_again(rng, World(positions, step), SWEEPS) <= most(0.02)
    assert false_read_again(rng, World(4, step, repeats=3), SWEEPS // 2) <= most(0.02, SWEEPS // 2)


@pytest.mark.parametrize("step", [1.0, 2.54, 10.0, 25.4])
def test_misreads_of_eight_positions_are_caught_and_their_place_is_not_mistaken(step):
    asked, _, wrong = caught(np.random.default_rng(2), World(8, step), SWEEPS)
    assert asked >= 1.0 - most(0.10)
    assert wrong <= most(0.05)


@pytest.mark.parametrize(("step", "limit"), [(1.0, 13.0), (5.0, 13.0), (20.0, 13.0), (10.0, 25.0), (25.4, 25.0)])
def test_a_misread_inside_the_closure_limit_makes_no_false_verdict(step, limit):
    rng = np.random.default_rng(3)
    for times in (1.2, 0.8):
        assert false_verdict(rng, World(4, step), limit, times, SWEEPS) <= most(0.05)
