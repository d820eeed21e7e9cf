"""The growth of a clearance: against certified least squares, and against simulated bushings of known wear."""

from pathlib import Path

import numpy as np
import pytest
import scipy
from scipy import stats

from linelog.calc.errors import CalcError
from linelog.calc.wear import fit_wear

NORRIS = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"


def norris():
    rows = [line.split() for line in NORRIS.read_text().splitlines()[60:96]]
    y, x = np.array(rows, dtype=float).T
    return x, y


@pytest.mark.skipif(not NORRIS.exists(), reason="this scipy comes without its test data")
def test_certified_values_of_norris():
    """NIST StRD, linear regression, Norris.dat: B0, B1 and their standard deviations as certified."""
    x, y = norris()
    made = fit_wear(x, y - y.min(), 1e4)
    assert made.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert made.start_um + y.min() == pytest.approx(-0.262323073774029, rel=1e-9)
    assert np.sqrt(made.covariance[0, 0]) == pytest.approx(0.232818234301152, rel=1e-9)
    assert np.sqrt(made.covariance[1, 1]) == pytest.approx(0.429796848199937e-3, rel=1e-9)


def test_the_interval_is_where_the_line_may_reach_the_limit():
    """Fieller's definition itself: at both ends the line lies t standard errors off the limit."""
    x, y = np.array([0, 5, 9, 14, 20.0]), np.array([40, 44, 51, 53, 60.0])
    made = fit_wear(x, y, 80.0)
    t = stats.t.ppf(0.975, 3)
    for end in (made.crossing.low, made.crossing.high):
        row = np.array([1.0, end])
        off = made.start_um + made.slope * end - 80.0
        assert abs(off) == pytest.approx(t * np.sqrt(row @ made.covariance @ row), rel=1e-6)
    assert made.crossing.low < made.crossing.at < made.crossing.high


@pytest.mark.parametrize("visits", [4, 6, 10])
def test_the_true_crossing_lies_in_the_interval_as_often_as_said(visits):
    """Simulated bushings that wear 1 um per million strokes from 40 um, each measured to 3 um: 95 % of intervals."""
    rng = np.random.default_rng(20261130 + visits)
    inside, told = 0, 0
    for _ in range(400):
        x = np.sort(rng.uniform(0, 30, visits))
        made = fit_wear(x, 40 + x + rng.normal(0, 3, visits), 80.0)
        if made.crossing is not None:
            told += 1
            inside += made.crossing.low <= 40.0 <= made.crossing.high
    assert told > 150
    assert 0.92 < inside / told <= 0.99


def test_no_wear_gives_no_day_and_few_points_on_a_line_no_false_certainty():
    flat = fit_wear([0, 10, 20, 30], [40, 42, 39, 41], 80.0)
    assert not flat.proven
    assert flat.crossing is None
    lucky = fit_wear([0, 10, 20], [40, 44, 48], 80.0, u_um=3.0)  # three points that happen to lie on a line
    assert lucky.crossing is None
    assert lucky.thin


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [([0, 1], [40, 41], "takes 3 measurements"), ([5, 5, 5], [40, 41, 42], "same number of strokes")],
)
def test_too_little_is_said(x, y, says):
    with pytest.raises(CalcError, match=says):
        fit_wear(x, y, 80.0)
