import numpy as np
import pytest

from linelog.calc.changepoint import mean_step
from linelog.calc.errors import CalcError

NILE = [
    1120,
    1160,
    963,
    1210,
    1160,
    1160,
    813,
    1230,
    1370,
    1140,
    995,
    935,
    1110,
    994,
    1020,
    960,
    1180,
    799,
    958,
    1140,
]
NILE += [1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969]
NILE += [831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759]
NILE += [781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890]
NILE += [744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740]


def test_flow_of_the_nile():
    """R's strucchange, breakpoints(Nile ~ 1): after value 28 (1898). Scatter and means from memory."""
    step = mean_step(NILE, fewest=15)
    assert (step.after, 1870 + step.after) == (28, 1898)
    assert (step.rss_one, step.rss_none) == pytest.approx((1597457, 2835157), abs=1)
    assert (step.mean_before, step.mean_after) == pytest.approx((1097.75, 849.97), abs=0.006)
    assert step.supported


def test_same_step_as_a_search_by_hand():
    """Derived: every place tried with numpy's own variance."""
    values = np.random.default_rng(0).normal(0, 1, 40) + (np.arange(40) >= 13)
    scatter = {i: i * np.var(values[:i]) + (40 - i) * np.var(values[i:]) for i in range(5, 36)}
    step = mean_step(values)
    assert step.after == min(scatter, key=scatter.get)
    assert step.rss_one == pytest.approx(min(scatter.values()))
    assert mean_step(values + 1e6).after == step.after


def test_no_step_is_claimed_where_there_is_none():
    """Derived: of 300 series of 60 values without a step few are said to have one, of those with one nearly all."""
    rng = np.random.default_rng(1)
    claimed = [mean_step(rng.normal(0, 1, 60)).supported for _ in range(300)]
    seen = [mean_step(rng.normal(0, 1, 60) + 1.5 * (np.arange(60) >= 25)).supported for _ in range(100)]
    assert np.mean(claimed) < 0.15
    assert np.mean(seen) > 0.95


def test_equal_values_and_a_clean_step():
    flat = mean_step([3.3] * 12)
    assert (flat.supported, flat.rss_none) == (False, pytest.approx(0, abs=1e-20))
    clean = mean_step([0.0] * 6 + [1.0] * 6)
    assert (clean.after, clean.supported) == (6, True)
    assert mean_step([1.0, 2.0], fewest=1).after == 1


def test_bad_input_is_told():
    with pytest.raises(CalcError, match="at least 10 are needed"):
        mean_step([1, 2, 3])
    with pytest.raises(CalcError):
        mean_step([1, 2, 3], fewest=0)
