import numpy as np
import pytest

from linelog.calc import control
from linelog.calc.errors import CalcError


def _out(chart):
    """Numbers of the points beyond the limits, counted from 1 as the sources do."""
    return (np.flatnonzero(chart.beyond) + 1).tolist()


def test_counts_of_defects_on_wafers():
    """NIST/SEMATECH e-Handbook 6.3.3.1: centre 16, limits 4 and 28. Wafer 3 lies on the limit: not beyond."""
    counts = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
    chart = control.u_chart(counts, 1.0, per=1.0)  # subgroups of one unit: a chart of counts
    assert (chart.centre, chart.lower[0], chart.upper[0]) == (16, 4, 28)
    assert _out(chart) == [24]


def test_counts_on_circuit_boards():
    """Montgomery, Statistical Quality Control, example 7-3; qcc data set 'circuit': 19.84615, 6.481447, 33.21086."""
    counts = [21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16, 19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15]
    chart = control.u_chart(counts, 1.0, per=1.0)
    limits = (chart.centre, chart.lower[0], chart.upper[0])
    assert limits == pytest.approx((19.84615, 6.481447, 33.21086), abs=6e-6)
    assert _out(chart) == [6, 20]  # the points are ours, the limits printed


def test_defects_in_dyed_cloth_of_unequal_length():
    """Montgomery, u chart with a variable sample size (from memory): 1.42, and limits by the sample's units."""
    units = [10, 8, 13, 10, 9.5, 10, 12, 10.5, 12, 12.5]
    chart = control.u_chart([14, 12, 20, 11, 7, 10, 21, 16, 19, 23], units, per=1.0)
    assert chart.centre == pytest.approx(1.42, abs=0.006)
    assert (chart.lower[0], chart.upper[0]) == pytest.approx((0.29, 2.55), abs=0.006)
    # printed from the centre rounded to two decimals
    assert chart.upper[[1, 2, 4, 6]] == pytest.approx([2.69, 2.41, 2.58, 2.45], abs=0.011)
    assert _out(chart) == []


def test_defects_in_computers_five_at_a_time():
    """Montgomery, example 7-4 (from memory): 1.93, 0.07, 3.79."""
    counts = [10, 12, 8, 14, 10, 16, 11, 7, 10, 15, 9, 5, 7, 11, 12, 6, 8, 10, 7, 5]
    chart = control.u_chart(counts, 5, per=1.0)
    assert (chart.centre, chart.lower[0], chart.upper[0]) == pytest.approx((1.93, 0.07, 3.79), abs=0.006)


def test_exponentially_weighted_means():
    """NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, target 50, sigma 2.0539, long-run limits 47.4115 and 52.5884."""
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    values += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    printed = [50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    printed += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    chart = control.ewma_chart(values, target=50, sigma=2.0539, weight=0.3, steady=True)
    assert chart.values == pytest.approx(printed, abs=0.006)
    assert chart.upper[0] == pytest.approx(52.5884, abs=1e-4)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=1.5e-4)  # the print cuts 47.41157 short
    assert _out(chart) == []


def test_opening_limits_begin_with_one_value_and_end_with_the_long_run():
    """Derived: the first mean is weight*x + a constant, so its sigma is weight*sigma."""
    chart = control.ewma_chart(np.zeros(80), target=0, sigma=2.0, weight=0.25)
    assert chart.upper[0] == pytest.approx(3 * 0.25 * 2.0)
    assert chart.upper[-1] == pytest.approx(
        control.ewma_chart([0], target=0, sigma=2, weight=0.25, steady=True).upper[0]
    )


def test_wide_counts_get_wider_limits():
    """Derived: gamma-mixed counts have variance mean*(1 + mean/shape), and Laney's factor is the root of that."""
    rng = np.random.default_rng(7)
    mixed = rng.poisson(rng.gamma(10.0, 4.0, 4000))  # mean 40, shape 10
    chart = control.rate_chart(mixed, 8e5)
    assert chart.name == "u'"
    assert chart.widening == pytest.approx(np.sqrt(1 + 40 / 10), rel=0.06)
    assert chart.beyond.mean() < 0.01 < control.u_chart(mixed, 8e5).beyond.mean()
    plain = control.rate_chart(rng.poisson(40, 4000), 8e5)
    assert (plain.name, plain.widening) == ("u", 1.0)
    assert control.u_chart(rng.poisson(40, 4000), 8e5, laney=True).widening == pytest.approx(1.0, abs=0.03)


def test_laney_by_hand():
    """Derived: counts 10, 30, 20 on one million cans each: distances -10, 10, 0 over sqrt(20), ranges 20 and 10."""
    chart = control.u_chart([10, 30, 20], 1e6, laney=True)
    widening = 15 / np.sqrt(20) / 1.128
    assert chart.widening == pytest.approx(widening)
    assert chart.upper == pytest.approx(20 + 3 * widening * np.sqrt(20))


def test_a_slow_wander_does_not_narrow_the_limits():
    counts = [*range(1, 60), *range(60, 0, -1)]
    assert control.rate_chart(counts, 1e6).widening == 1.0


def test_limits_from_a_baseline_and_from_a_given_centre():
    counts, cans = [20, 22, 18, 20, 60], [4e5] * 5
    chart = control.u_chart(counts, cans, baseline=[True, True, True, True, False])
    assert chart.centre == pytest.approx(50.0)
    assert _out(chart) == [5]
    assert control.u_chart(counts, cans, centre=50.0).upper == pytest.approx(chart.upper)
    assert control.standardised(counts, cans, centre=50.0) == pytest.approx(
        [0, 2 / 20**0.5, -2 / 20**0.5, 0, 40 / 20**0.5]
    )


def test_runs_are_reported_by_their_first_point():
    chart = control.u_chart([4, 40, 41, 4, 39, 4], 1.0, per=1.0, centre=4.0)
    assert _out(chart) == [2, 3, 5]
    assert chart.starts.tolist() == [1, 4]


def test_nothing_counted_and_nothing_varying_are_finite():
    none = control.u_chart([0, 0, 0], 4e5, laney=True)
    assert (none.centre, none.upper.tolist(), none.beyond.any()) == (0.0, [0, 0, 0], False)
    assert control.standardised([0, 0, 0], 4e5, laney=True).tolist() == [0, 0, 0]
    assert control.standardised([5, 5, 5], 4e5, laney=True).tolist() == [0, 0, 0]
    assert control.rate_chart([0, 0], 4e5).name == "u"
    assert control.rate_chart([7], 4e5).name == "u"


def test_values_that_are_equal_but_for_rounding_are_not_beyond():
    counts, cans = [1, 3], [1e5, 3e5]
    assert not control.u_chart(counts, cans).beyond.any()


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: control.u_chart([1, 2], [1e5, 0]), "cans"),
        (lambda: control.u_chart([1, 2], 1e5, per=0), "per"),
        (lambda: control.u_chart([1, 2], 1e5, centre=-1), "centre"),
        (lambda: control.u_chart([1, 2], 1e5, baseline=[False, False]), "baseline"),
        (lambda: control.u_chart([1, 2], 1e5, baseline=[True]), None),
        (lambda: control.u_chart([1, 2], 1e5, baseline=[True, False], laney=True), "baseline"),
        (lambda: control.standardised([0, 2], 1e5, baseline=[True, False]), "baseline"),
        (lambda: control.ewma_chart([1.0], target=0, sigma=0), "sigma"),
        (lambda: control.ewma_chart([1.0], target=0, sigma=1, weight=1.5), "weight"),
    ],
)
def test_bad_input_is_told_beside_its_field(call, field):
    with pytest.raises(CalcError) as told:
        call()
    assert field is None or told.value.field == field
