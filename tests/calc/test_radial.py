import numpy as np
import pytest
from scipy import integrate, stats

from linelog.calc.errors import CalcError
from tests.calc.normal_outside import chance_outside


@pytest.mark.parametrize("sigma", [0.03, 0.3, 3.0, 30.0, 300.0])
def test_equal_spreads_are_the_noncentral_chi_square(sigma):
    """scipy's noncentral chi-square with two degrees of freedom (derived: |N|^2/sigma^2 has it)."""
    size = np.array([0.0, 1.0, 5.0, 20.0, 24.9, 25.0, 25.1, 40.0])
    angle = np.linspace(0, 6, len(size))
    mean = np.column_stack([size * np.sin(angle), size * np.cos(angle)])
    found = chance_outside(mean, np.eye(2) * sigma**2, 25.0)
    assert found == pytest.approx(stats.ncx2.sf((25 / sigma) ** 2, 2, (size / sigma) ** 2), abs=1e-11)


def test_centred_spread_is_the_rayleigh_distribution():
    """Textbook: P(R > L) = exp(-L^2/(2 sigma^2)) for a centred normal with equal spreads."""
    assert chance_outside([0, 0], np.eye(2) * 100.0, 25.0) == pytest.approx([np.exp(-3.125)], abs=1e-13)


def test_unequal_and_correlated_spreads_against_integration_over_the_disc():
    """Derived: the density integrated over the disc in polar coordinates."""
    mean, cov, limit = np.array([6.0, -14.0]), np.array([[90.0, 40.0], [40.0, 30.0]]), 25.0
    density = stats.multivariate_normal(mean, cov).pdf
    inside, _ = integrate.dblquad(
        lambda r, t: r * density([r * np.sin(t), r * np.cos(t)]), 0, 2 * np.pi, 0, limit, epsabs=1e-10
    )
    assert chance_outside(mean, cov, limit) == pytest.approx([1 - inside], abs=1e-8)


def test_a_spread_along_one_axis_is_the_normal_distribution():
    """Derived: with next to nothing across, P = P(|x| > limit) for one coordinate."""
    cov = np.diag([100.0, 0.0])
    expected = stats.norm.sf((25 - 8) / 10) + stats.norm.cdf((-25 - 8) / 10)
    assert chance_outside([8, 0], cov, 25.0) == pytest.approx([expected], abs=1e-5)
    assert chance_outside([0, 8], cov[::-1, ::-1], 25.0) == pytest.approx([expected], abs=1e-5)


def test_turning_mean_and_spread_together_changes_nothing():
    turn = np.array([[np.cos(0.7), -np.sin(0.7)], [np.sin(0.7), np.cos(0.7)]])
    mean, cov = np.array([10.0, 3.0]), np.array([[60.0, 10.0], [10.0, 20.0]])
    assert chance_outside(turn @ mean, turn @ cov @ turn.T, 25.0) == pytest.approx(chance_outside(mean, cov, 25.0))


def test_no_spread_is_certainty():
    nothing = np.zeros((2, 2, 2))
    assert chance_outside([[24, 0], [26, 0]], nothing, 25.0) == pytest.approx([0, 1], abs=1e-12)
    assert chance_outside([1e6, 0], np.eye(2), 25.0) == pytest.approx([1])


@pytest.mark.parametrize(
    ("mean", "cov", "limit"),
    [
        ([0, 0], np.eye(2), 0.0),
        ([0, 0], np.eye(2), -5.0),
        ([0, float("nan")], np.eye(2), 5.0),
        ([0, 0, 0], np.eye(2), 5.0),
        (["a", "b"], np.eye(2), 5.0),
        ([0, 0], [[1, 2], [2, 1]], 5.0),
        ([0, 0], [[1, float("inf")], [0, 1]], 5.0),
        (np.empty((0, 2)), np.eye(2), 5.0),
    ],
)
def test_bad_input_is_told(mean, cov, limit):
    with pytest.raises(CalcError):
        chance_outside(mean, cov, limit)
