import numpy as np
import pytest
from scipy import stats
from statsmodels.stats import rates as reference

from linelog.calc import rates
from linelog.calc.errors import CalcError
from linelog.calc.rates import Change


def test_exact_limits_of_a_count():
    """Garwood, Biometrika 28 (1936); the same in Pearson & Hartley, Biometrika Tables, table 40 (95 %)."""
    found = rates.rates_per_million([0, 1, 5, 10, 50, 100], 1e6)
    assert found.rate.tolist() == [0, 1, 5, 10, 50, 100]
    assert found.low == pytest.approx([0.0, 0.03, 1.62, 4.80, 37.11, 81.36], abs=0.006)
    assert found.high == pytest.approx([3.69, 5.57, 11.67, 18.39, 65.92, 121.63], abs=0.006)


def test_limits_are_where_the_poisson_tails_are_a_fortieth():
    """Derived: the definition of the central interval, with scipy's distribution function."""
    counts, cans = np.array([1, 7, 40, 1000]), np.array([2e5, 4e5, 4e5, 3e6])
    found = rates.rates_per_million(counts, cans)
    assert stats.poisson.sf(counts - 1, found.low * cans / 1e6) == pytest.approx(0.025, rel=1e-9)
    assert stats.poisson.cdf(counts, found.high * cans / 1e6) == pytest.approx(0.025, rel=1e-9)


def test_a_single_day_without_a_tear_off_has_a_finite_interval():
    found = rates.rates_per_million(0, 4e5)
    assert (found.rate.tolist(), found.low.tolist()) == ([0.0], [0.0])
    assert found.high == pytest.approx([3.6889 / 0.4], rel=1e-4)


def test_ratio_of_two_rates():
    """Gu, Ng, Tang & Schucany, Biometrical Journal 50 (2008), example 1: 60 in 51,477.5 against 30 in 54,308.7.

    One-sided exact conditional p 0.000428. The exact interval is ours: Clopper-Pearson on 60 of 90.
    """
    found = rates.rate_ratio(60, 51477.5, 30, 54308.7)
    assert found.ratio == pytest.approx(2.10999757175465, abs=1e-9)
    assert found.p_higher == pytest.approx(0.000428, abs=3e-6)
    share = stats.binomtest(60, 90).proportion_ci(method="exact")
    scale = 54308.7 / 51477.5
    assert found.low == pytest.approx(share.low / (1 - share.low) * scale, rel=1e-9)
    assert found.high == pytest.approx(share.high / (1 - share.high) * scale, rel=1e-9)
    assert found.change is Change.HIGHER


def test_the_two_sided_p_is_never_below_that_of_the_least_likely_outcomes():
    """statsmodels' exact p for the same data sums what is no likelier than the outcome: 0.000675182658686321."""
    other = reference.test_poisson_2indep(60, 51477.5, 30, 54308.7, method="exact-cond").pvalue
    assert other == pytest.approx(0.000675182658686321, abs=1e-12)
    assert other < rates.rate_ratio(60, 51477.5, 30, 54308.7).p < 2 * other


def test_p_and_interval_agree_for_every_pair_of_small_counts():
    y1, y2 = (side.ravel() for side in np.meshgrid(np.arange(31), np.arange(31)))
    for one in rates.rate_ratios(y1, 1e5, y2, 3e5):
        outside = one.low > 1.0 or (one.high is not None and one.high < 1.0)
        assert outside == (one.p < 0.05) == (one.change is not Change.NOT_SHOWN)


def test_turning_a_ratio_round_turns_its_interval_round():
    there, back = rates.rate_ratio(12, 4e5, 31, 7e5), rates.rate_ratio(31, 7e5, 12, 4e5)
    assert there.ratio == pytest.approx(1 / back.ratio)
    assert (there.low, there.high) == pytest.approx((1 / back.high, 1 / back.low))
    assert there.p == pytest.approx(back.p)


def test_ratios_with_nothing_counted():
    neither, none_after, none_before = rates.rate_ratios([0, 0, 9], 4e5, [0, 9, 0], 4e5)
    assert (neither.ratio, neither.low, neither.high, neither.p) == (None, 0.0, None, 1.0)
    assert (none_after.ratio, none_after.low, none_after.change) == (0.0, 0.0, Change.LOWER)
    assert none_after.high == pytest.approx(0.025 ** (-1 / 9) - 1)  # derived: Clopper-Pearson for 0 of 9
    assert (none_before.ratio, none_before.high) == (None, None)
    assert none_before.low == pytest.approx(1 / none_after.high)
    assert none_before.change is Change.HIGHER


def test_exact_interval_covers_at_least_its_level():
    """Derived: coverage summed over the Poisson outcomes for a true ratio of 0.7."""
    y1, y2 = (side.ravel() for side in np.meshgrid(np.arange(60), np.arange(60)))
    chance = stats.poisson.pmf(y1, 14.0) * stats.poisson.pmf(y2, 20.0)
    found = rates.rate_ratios(y1, 4e5, y2, 4e5)
    inside = np.array([one.low <= 0.7 and (one.high is None or one.high >= 0.7) for one in found])
    assert 0.95 <= chance[inside].sum() < 0.985


def test_quantiles_of_large_counts_are_those_of_the_exact_search():
    """scipy's exact Poisson quantile, where it still ends."""
    means = np.array([1.0001e4, 1e5, 3e6])
    for chance in (0.001, 0.025, 0.5, 0.99, 0.999):
        assert rates.poisson_quantile(chance, means) == pytest.approx(stats.poisson.ppf(chance, means), abs=1)
    assert rates.poisson_quantile(0.99, np.array([1e12])) == pytest.approx([1e12 + 2.3263e6], abs=100)


def test_dispersion_of_the_horse_kicks():
    """Bortkiewicz 1898, 200 corps-years: mean 0.61, variance 0.611 (Fisher 1925); their ratio is ours: 1.0016."""
    deaths = np.repeat([0, 1, 2, 3, 4], [109, 65, 22, 3, 1])
    found = rates.dispersion(deaths, 1.0)
    assert (deaths.mean(), deaths.var(ddof=1)) == pytest.approx((0.61, 0.611), abs=0.0006)
    assert found.index == pytest.approx(1.0016, abs=0.001)
    assert found.dof == 199
    assert not found.too_wide


def test_clustered_counts_are_too_wide_and_no_counts_are_not():
    counts = [0, 60, 0, 0, 55, 0, 0, 0, 70, 0]
    assert rates.dispersion(counts, 4e5).too_wide
    assert rates.dispersion([0, 0, 0], 4e5) == rates.Dispersion(1.0, 2, 1.0)
    shares = rates.dispersion([20, 40, 60], [1e5, 2e5, 3e5])
    assert shares.index == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: rates.rates_per_million([3], [0]), "cans"),
        (lambda: rates.rates_per_million([3.5], [1e5]), "counts"),
        (lambda: rates.rates_per_million([3, 4], [1e5, 1e5, 1e5]), "cans"),
        (lambda: rates.rates_per_million([3], [1e5], level=1.0), "level"),
        (lambda: rates.rate_ratio(3, 1e5, 4, 0), "base_cans"),
        (lambda: rates.rate_ratios([3, 4], 1e5, [4], 1e5), "base_counts"),
        (lambda: rates.dispersion([3], [1e5]), "counts"),
    ],
)
def test_bad_input_is_told_beside_its_field(call, field):
    with pytest.raises(CalcError) as told:
        call()
    assert told.value.field == field
