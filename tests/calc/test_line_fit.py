import numpy as np
import pytest

from linelog.calc.errors import CalcError
from linelog.calc.line_fit import fit_line


def test_certified_line():
    """NIST Statistical Reference Datasets, Norris: certified values of 36 points."""
    y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3]
    y += [448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2]
    y += [117.6, 228.9, 668.4, 449.2, 0.2]
    x = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0]
    x += [447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1]
    x += [118.3, 229.2, 669.1, 448.9, 0.5]
    fit = fit_line(x, y)
    assert fit.intercept == pytest.approx(-0.262323073774029, abs=1e-11)
    assert fit.slope == pytest.approx(1.00211681802045, abs=1e-13)
    assert fit.intercept_se == pytest.approx(0.232818234301152, abs=1e-12)
    assert fit.slope_se == pytest.approx(0.000429796848199937, abs=1e-14)
    assert fit.residual_sd == pytest.approx(0.884796396144373, abs=1e-12)
    assert fit.r_squared == pytest.approx(0.999993745883712, abs=1e-14)
    assert fit.f == pytest.approx(5436385.54079785, abs=0.01)


def test_interval_of_the_mean_and_of_the_next_point():
    """Montgomery & Runger, oxygen purity example of chapter 11, from memory."""
    x = [0.99, 1.02, 1.15, 1.29, 1.46, 1.36, 0.87, 1.23, 1.55, 1.4]
    x += [1.19, 1.15, 0.98, 1.01, 1.11, 1.2, 1.26, 1.32, 1.43, 0.95]
    y = [90.01, 89.05, 91.43, 93.74, 96.73, 94.45, 87.59, 91.77, 99.42, 93.65]
    y += [93.54, 92.52, 90.56, 89.54, 89.85, 90.39, 93.25, 93.41, 94.98, 87.33]
    fit = fit_line(x, y)
    assert (fit.intercept, fit.slope, fit.residual_sd**2) == pytest.approx((74.283, 14.947, 1.18), abs=0.007)
    assert fit.r_squared == pytest.approx(0.877, abs=0.007)
    band = fit.at(1.0)
    assert band.y == pytest.approx([89.23], abs=0.007)
    assert (band.low[0], band.high[0]) == pytest.approx((88.48, 89.98), abs=0.007)
    assert (band.next_low[0], band.next_high[0]) == pytest.approx((86.83, 91.63), abs=0.007)


def test_wing_length_of_sparrows():
    """Zar, Biostatistical Analysis, examples 17.1 to 17.4, from memory."""
    days = [3, 4, 5, 6, 8, 9, 10, 11, 12, 14, 15, 16, 17]
    fit = fit_line(days, [1.4, 1.5, 2.2, 2.4, 3.1, 3.2, 3.2, 3.9, 4.1, 4.7, 4.5, 5.2, 5.0])
    assert fit.intercept == pytest.approx(0.715, abs=0.0021)
    assert (fit.slope, fit.residual_sd) == pytest.approx((0.27, 0.2184), abs=0.0006)
    assert fit.f == pytest.approx(401.1, abs=0.3)
    assert fit.at(13).y == pytest.approx([4.225], abs=0.006)
    assert fit.dof == 11
    assert fit.slope_low < fit.slope < fit.slope_high
    assert fit.slope_high - fit.slope == pytest.approx(2.200985 * fit.slope_se, rel=1e-6)  # t of 11, 97.5 %


def test_points_on_a_line_and_points_all_level_are_finite():
    exact = fit_line([1, 2, 3], [2, 4, 6])
    assert (exact.slope, exact.f) == (pytest.approx(2), None)
    level = fit_line([1, 2, 3, 4], [5, 5, 5, 5])
    assert level.slope == pytest.approx(0, abs=1e-12)
    assert (level.r_squared, level.f) == (0.0, None)
    assert np.isfinite(level.at([1, 9]).next_high).all()


@pytest.mark.parametrize(
    ("x", "y", "field"),
    [([1, 2], [1, 2], "x"), ([1, 2, 3], [1, 2], "y"), ([4, 4, 4], [1, 2, 3], "x"), ([1, 2, np.nan], [1, 2, 3], "x")],
)
def test_bad_input_is_told_beside_its_field(x, y, field):
    with pytest.raises(CalcError) as told:
        fit_line(x, y)
    assert told.value.field == field
