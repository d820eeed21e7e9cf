"""The harmonic fit against the printed estimators, a reference library and its own limits."""

import math

import numpy as np
import pytest
import statsmodels.api as sm

from linelog.calc.errors import CalcError
from linelog.calc.harmonics import Lobes, fit_harmonics

EIGHT = np.arange(0.0, 360.0, 45.0)


def waves(angles, order):
    phase = order * np.radians(angles)
    return [np.sin(phase), np.cos(phase)]


def test_least_squares_circle_of_equally_spaced_readings():
    """NIST/SEMATECH e-Handbook 2.3.4.4: R = sum/N, a = 2/N sum R cos, b = 2/N sum R sin; numbers derived."""
    radii = 100 + 12 * np.cos(np.radians(EIGHT - 30)) + 3 * np.cos(2 * np.radians(EIGHT - 20))
    fit = fit_harmonics([EIGHT], [radii])
    assert fit.mean_um == pytest.approx(100, abs=1e-9)
    assert fit.cos_um == pytest.approx(10.3923048454133, abs=1e-9)
    assert fit.sin_um == pytest.approx(6.0, abs=1e-9)
    assert fit.cos_um == pytest.approx(2 / 8 * np.sum(radii * np.cos(np.radians(EIGHT))), abs=1e-9)
    assert math.hypot(fit.sin_um, fit.cos_um) == pytest.approx(12, abs=1e-9)
    assert fit.second.seen is Lobes.BOTH_PARTS
    assert fit.second.amplitude_um == pytest.approx(3, abs=1e-9)
    assert math.degrees(math.atan2(fit.second.sin_um, fit.second.cos_um)) / 2 == pytest.approx(20, abs=1e-9)
    assert fit.residual_sd_um == pytest.approx(0.0, abs=1e-9)


def test_standard_uncertainty_of_the_first_harmonic():
    """u(a) = u(b) = s*sqrt(2/N) with s from N - 3 degrees of freedom; values derived, checked with statsmodels."""
    readings = np.array([0.0, 0.012, 0.031, 0.047, 0.058, 0.044, 0.03, 0.014])
    fit = fit_harmonics([EIGHT], [readings], second=False)
    assert fit.mean_um == pytest.approx(0.0295, abs=1e-12)
    assert fit.cos_um == pytest.approx(-0.0259904851942814, abs=1e-12)
    assert fit.sin_um == pytest.approx(0.000426776695296642, abs=1e-12)
    assert fit.residual_dof == 5
    for variance in (fit.spread.sin, fit.spread.cos):
        assert fit.residual_sd_um * math.sqrt(variance) == pytest.approx(0.00150416362262828, abs=1e-12)


@pytest.mark.parametrize(
    "turns",
    [
        [np.arange(0, 360, 30.0)],
        [EIGHT, EIGHT, EIGHT],
        [np.array([0.0, 50, 110, 170, 200, 260, 310]), np.array([0.0, 90, 180, 270])],
    ],
    ids=["twelve", "three repeats of eight", "uneven, and four"],
)
def test_against_ordinary_least_squares(turns):
    """statsmodels OLS with one constant a repeat, two harmonics: coefficients, covariance, scatter."""
    rng = np.random.default_rng(7)
    readings = [rng.normal(20 * number, 15, len(turn)) for number, turn in enumerate(turns)]
    fit = fit_harmonics(turns, readings)
    angles = np.concatenate(turns)
    constants = np.repeat(np.eye(len(turns)), [len(turn) for turn in turns], axis=0)
    reference = sm.OLS(
        np.concatenate(readings), np.column_stack([constants, *waves(angles, 1), *waves(angles, 2)])
    ).fit()
    at = len(turns)
    assert [fit.sin_um, fit.cos_um, fit.second.sin_um, fit.second.cos_um] == pytest.approx(reference.params[at:])
    assert fit.mean_um == pytest.approx(np.mean(reference.params[:at]))
    assert fit.residual_dof == reference.df_resid
    assert fit.residual_sd_um == pytest.approx(math.sqrt(reference.scale))
    covariance = reference.cov_params()[at : at + 2, at : at + 2] / reference.scale
    assert [fit.spread.sin, fit.spread.cos, fit.spread.both] == pytest.approx(
        [covariance[0, 0], covariance[1, 1], covariance[0, 1]], abs=1e-12
    )


def test_four_positions_see_one_part_of_the_lobes_and_keep_the_classic_offset():
    quarter = np.array([0.0, 90, 180, 270])
    readings = np.array([0.0, 7.0, -31.0, 12.0])
    fit = fit_harmonics([quarter], [readings])
    assert fit.cos_um == pytest.approx((0.0 + 31.0) / 2)
    assert fit.sin_um == pytest.approx((7.0 - 12.0) / 2)
    assert fit.second.seen is Lobes.ONE_PART
    assert fit.second.amplitude_um == pytest.approx(abs(0.0 - 31.0 - 7.0 - 12.0) / 4)
    assert fit.residual_dof == 0
    between = fit_harmonics([quarter], [5 * np.sin(2 * np.radians(quarter))])
    assert between.second.amplitude_um == pytest.approx(0.0, abs=1e-12)  # lobes at half past one do not show


def test_four_uneven_positions_give_the_plain_least_squares_offset():
    angles, readings = np.array([0.0, 80, 190, 250]), np.array([3.0, 9.0, -4.0, 6.0])
    fit, plain = fit_harmonics([angles], [readings]), fit_harmonics([angles], [readings], second=False)
    assert (fit.sin_um, fit.cos_um) == pytest.approx((plain.sin_um, plain.cos_um))
    assert fit.second.seen is Lobes.NOT_SEEN
    assert fit.second.amplitude_um is None


@pytest.mark.parametrize(
    ("angles", "seen"),
    [
        ([0, 120, 240], Lobes.NOT_SEEN),
        ([0, 72, 144, 216, 288], Lobes.BOTH_PARTS),
        ([240, 270, 300, 330, 0, 30, 60, 90, 120], Lobes.BOTH_PARTS),  # the bottom third out of reach
        ([0, 30, 60, 90, 120, 150, 180], Lobes.NOT_SEEN),  # half a turn: lobes and offset look alike
    ],
)
def test_what_the_positions_can_show(angles, seen):
    angles = np.array(angles, dtype=float)
    assert fit_harmonics([angles], [np.zeros(len(angles))]).second.seen is seen


def test_places_that_differ_by_a_hair_between_repeats_do_not_invent_lobes():
    quarter = np.array([0.0, 90, 180, 270])
    fit = fit_harmonics([quarter, quarter + 0.5], [np.zeros(4), np.array([0.0, 1, 0, 1])])
    assert fit.second.seen is Lobes.NOT_SEEN


@pytest.mark.parametrize("angles", [[0, 45, 90], [0, 1, 2], [0, 90, 91], [10, 20, 30, 40, 50, 60]])
def test_positions_that_lie_together_are_refused(angles):
    with pytest.raises(CalcError, match="too close together"):
        fit_harmonics([np.array(angles, dtype=float)], [np.zeros(len(angles))])


def test_half_a_turn_is_enough_for_the_offset():
    angles = np.array([0.0, 90, 180])
    fit = fit_harmonics([angles], [np.array([-10.0, 4.0, 10.0])])
    assert (fit.sin_um, fit.cos_um) == pytest.approx((4.0, -10.0))


def test_what_sweeps_at_the_same_positions_share_cannot_be_changed_by_one_of_them():
    angles = [np.arange(0.0, 360.0, 45.0)]
    fit = fit_harmonics(angles, [np.zeros(8)])
    for shared in (fit.freedom, fit.lobe_bias):
        with pytest.raises(ValueError, match="read-only"):
            shared += 1.0
