"""A seeded part of `tests.bench.bench_capture_cover`: intervals hold the truth as often as they say, rounded or not.

At 95.45 %: the truth is what was put in. What is too wide is told by the half widths.
"""

import numpy as np
import pytest
from scipy.stats import binom

from tests.bench.bench_capture_cover import Count, World, counted

CAPTURES = 6


def together(worlds: list[World]) -> Count:
    found = Count()
    for number, world in enumerate(worlds):
        found.add(counted(world, np.random.default_rng([20261202, number]), CAPTURES))
    return found


@pytest.mark.parametrize("step_um", [1.0, 2.54])
@pytest.mark.parametrize("noise_um", [0.2, 0.6])
def test_a_rounded_file_with_little_noise_hides_no_error(step_um, noise_um):
    found = together([World(step_um, noise_um, memory, 60, still=still) for memory in (0, 0.8) for still in (0, 1)])
    assert found.held >= 0.93 * found.seen
    assert np.median(found.half_um) < step_um


def test_ten_strokes_of_a_machine_that_is_known():
    found = together([World(step, 3.0, memory, 10) for step in (0.0, 2.54) for memory in (0.4, 0.8)])
    assert found.silent == 0
    assert found.held >= 0.92 * found.seen


def test_drift_is_told_only_where_there_is_one():
    still = together([World(0.0, 5.0, memory, 100) for memory in (0.4, 0.8, 0.9)])
    assert still.drifts <= binom.ppf(0.999, still.captures, 0.05)
    moving = together([World(0.0, 0.5, 0.4, 200, drift=20.0)])
    assert moving.drifts == moving.captures
