"""Means that remember their past, against statsmodels, certified regression data, and theory."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.signal import lfilter

from linelog.calc.capture import memory
from linelog.calc.capture.more import _half_width
from linelog.calc.capture.odd import modified_z, odd_strokes
from linelog.calc.capture.stats import Mean, correlation, inefficiency, mean_and_drift
from linelog.calc.errors import CalcError
from linelog.calc.uncertainty import coverage_factor


def autoregressive(count: int, phi: float, seed: int) -> np.ndarray:
    steps = np.random.default_rng(seed).normal(size=count + 500)
    return lfilter([np.sqrt(1 - phi**2)], [1, -phi], steps)[500:]


@pytest.mark.parametrize("phi", [0.0, 0.4, 0.8])
def test_effective_number_is_that_of_theory(phi):
    """n/n_eff of a first-order autoregressive series is (1 + phi)/(1 - phi) (any time series text)."""
    tau = np.mean([inefficiency(autoregressive(5000, phi, seed)) for seed in range(8)])
    assert tau == pytest.approx((1 + phi) / (1 - phi), rel=0.1)


@pytest.mark.parametrize("phi", [0.3, 0.7])
def test_standard_error_is_that_of_statsmodels(phi):
    """statsmodels: OLS on a line with a covariance consistent under autocorrelation (Newey and West)."""
    ratios = []
    for seed in range(6):
        values = autoregressive(4000, phi, seed) + 0.001 * np.arange(4000)
        at = np.arange(4000) - 1999.5
        theirs = sm.OLS(values, sm.add_constant(at)).fit(cov_type="HAC", cov_kwds={"maxlags": 60})
        mean, drift = mean_and_drift(values, at)
        assert (mean.value, drift.slope) == pytest.approx(tuple(theirs.params), abs=1e-12)
        ratios.append([mean.u / theirs.bse[0], drift.half_width / coverage_factor(mean.dof) / theirs.bse[1]])
    assert np.mean(ratios, axis=0) == pytest.approx([1.0, 1.0], abs=0.1)


def test_slope_and_its_error_are_the_certified_ones_where_nothing_is_remembered():
    """NIST StRD linear regression, Norris: certified slope and standard deviation of the estimate."""
    x, y = np.array(NORRIS).T
    none = np.full((memory.PHIS.size, memory.SHARES.size), -np.inf)
    none[0, -1] = 0.0  # phi = 0
    mean, drift = mean_and_drift(y, x, none)
    assert drift.slope == pytest.approx(1.00211681802045, abs=1e-12)
    assert drift.half_width / coverage_factor(34.0) == pytest.approx(0.000429796848199937, rel=1e-9)
    assert mean.sd == pytest.approx(0.884796396144373, rel=1e-9)


def test_interval_of_short_and_long_series_is_honest():
    for count, phi in ((40, 0.4), (150, 0.7)):
        hits = 0
        for seed in range(200):
            mean, _ = mean_and_drift(autoregressive(count, phi, seed) + 5.0, np.arange(count))
            hits += abs(mean.value - 5.0) <= mean.half_width
        assert 180 <= hits < 200


@pytest.mark.parametrize("phi", [0.0, 0.4, 0.8, 0.9])
def test_ten_strokes_are_judged_by_a_long_series_of_the_same_memory(phi):
    """Truth is what was put in: the 95.45 % interval holds it in at least 92 of 100, with the memory known."""
    hits = 0
    for seed in range(200):
        told = memory.evidence(autoregressive(400, phi, 1000 + seed), np.arange(400.0)).likelihood
        mean, _ = mean_and_drift(autoregressive(10, phi, seed) + 5.0, np.arange(10.0), told)
        hits += abs(mean.value - 5.0) <= mean.half_width
    assert 184 <= hits < 200


def test_the_likelihood_of_a_memory_is_that_of_statsmodels():
    """statsmodels: the log likelihood of generalized least squares at its best scale, restricted by hand.

    Restricted less full likelihood is known in closed form (Patterson and Thompson 1971): only differences between
    memories are looked at here, and each is that of the determinants.
    """
    values, at = autoregressive(30, 0.6, 4), np.arange(30.0)
    ours = memory.evidence(values, at).likelihood[:, -1]
    line = sm.add_constant(at - at.mean())
    line[:, 1] /= np.abs(line[:, 1]).max()
    theirs = []
    for phi in memory.PHIS:
        sigma = phi ** np.abs(np.subtract.outer(at, at))
        fit = sm.GLS(values, line, sigma=sigma).fit()
        inner = np.linalg.slogdet(line.T @ np.linalg.inv(sigma) @ line)[1]
        theirs.append(-0.5 * np.linalg.slogdet(sigma)[1] - 0.5 * inner - 14.0 * np.log(fit.ssr))
    assert ours - ours[0] == pytest.approx(np.array(theirs) - theirs[0], abs=1e-6)


def test_a_straight_drift_is_no_scatter():
    noise = autoregressive(300, 0.3, 3)
    still, _ = mean_and_drift(noise, np.arange(300.0))
    moving, drift = mean_and_drift(noise + 0.5 * np.arange(300), np.arange(300.0))
    assert moving.half_width == pytest.approx(still.half_width, rel=1e-6)
    assert drift.proven
    assert drift.change == pytest.approx(0.5 * 299, rel=0.02)


def test_series_without_scatter_and_too_short_ones():
    mean, drift = mean_and_drift(np.full(10, 3.0), np.arange(10.0))
    assert (mean.value, mean.half_width, drift.slope) == (3.0, 0.0, 0.0)
    assert 1.0 <= mean_and_drift(np.array([1.0, 2.0, 4.0]), np.arange(3.0))[0].n_eff <= 3.0
    with pytest.raises(CalcError, match="three are the least"):
        mean_and_drift(np.array([1.0, 2.0]), np.arange(2.0))
    with pytest.raises(CalcError, match="same time"):
        mean_and_drift(np.array([1.0, 2.0, 4.0]), np.ones(3))


def test_correlation_of_what_stands_still_is_none():
    assert correlation(np.arange(5.0), np.ones(5)) == 0.0
    assert correlation(np.arange(5.0), -np.arange(5.0)) == pytest.approx(-1.0)


def test_modified_z_finds_the_outlier_of_the_handbook():
    """NIST/SEMATECH e-Handbook 1.3.5.17, uranium data: 245.57 is the outlier (data from memory)."""
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    assert np.flatnonzero(np.abs(modified_z(values)) > 3.5).tolist() == [7]


def test_more_strokes_buy_the_square_root():
    """With many strokes and certain zeros, four times as many halve the interval; zeros stay (JCGM 100, 5.1.2)."""
    mean = Mean(0.0, 4.0, 1000, 800.0, 4.0 / 800**0.5, 798.0, 0.0)
    assert _half_width(mean, 4000, 0.0) == pytest.approx(_half_width(mean, 1000, 0.0) / 2, rel=0.002)
    assert _half_width(mean, 10**6, 3.0) == pytest.approx(6.0, rel=0.001)


def test_no_phases_no_odd_strokes():
    flags, found = odd_strokes([], np.arange(4.0))
    assert not flags.any()
    assert found == []


# x, y of NIST StRD Norris, as carried by scipy (scipy/stats/tests/data/nist_linregress/Norris.dat).
_Y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3]
_Y += [0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3]
_Y += [0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2]
_X = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4]
_X += [0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3]
_X += [0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5]
NORRIS = list(zip(_X, _Y, strict=True))


def test_certified_slope():
    """NIST Statistical Reference Datasets, Norris: 36 points, certified intercept and slope."""
    y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3]
    y += [448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2]
    y += [117.6, 228.9, 668.4, 449.2, 0.2]
    x = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0]
    x += [447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1]
    x += [118.3, 229.2, 669.1, 448.9, 0.5]
    mean, drift = mean_and_drift(np.array(y), np.array(x))
    assert drift.slope == pytest.approx(1.00211681802045, abs=1e-13)
    assert mean.value - drift.slope * np.mean(x) == pytest.approx(-0.262323073774029, abs=1e-11)
