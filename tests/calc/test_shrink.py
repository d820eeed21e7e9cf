import numpy as np
import pytest
from scipy import integrate, stats

from linelog.calc import shrink
from linelog.calc.errors import CalcError
from linelog.calc.shrink import Prior


def test_one_road_section_in_one_year():
    """Hauer, Harwood, Council & Griffith, TRR 1784 (2002), example 1: 12 accidents on 1.8 km, 4,000 vehicles.

    Printed: 4.71 +- 1.19 per km and year. From memory: mean 0.0224*ADT^0.564 and shape 2.05 per km, weight of the
    mean 0.460, 8.48 accidents with standard deviation 2.14.
    """
    prior = Prior(mean=0.0224 * 4000**0.564 * 1.8 * 1e6, shape=2.05 * 1.8)
    found = shrink.shrink([12], [1.0], prior)
    assert 1 - found.own_weight == pytest.approx([0.46], abs=0.0006)
    assert found.rate / 1e6 == pytest.approx([8.48], abs=0.01)
    assert found.sd / 1e6 == pytest.approx([2.14], abs=0.006)
    assert (found.rate / 1.8e6, found.sd / 1.8e6) == (
        pytest.approx([4.71], abs=0.006),
        pytest.approx([1.19], abs=0.006),
    )


def test_prior_of_insurance_claims():
    """Efron & Hastie, Computer Age Statistical Inference, table 6.1, from memory (9,461 policies, Thyrion 1960).

    Shape 0.70, scale 0.31; expected claims next year after 0 to 6 claims.
    """
    claims = np.repeat(np.arange(8), [7840, 1317, 239, 42, 14, 4, 4, 1])
    prior = shrink.fit_prior(claims, 1.0)
    assert prior.shape == pytest.approx(0.70, abs=0.006)
    assert prior.mean / prior.shape / 1e6 == pytest.approx(0.31, abs=0.006)
    next_year = shrink.shrink(np.arange(7), 1.0, prior).rate / 1e6
    assert next_year == pytest.approx([0.164, 0.398, 0.633, 0.87, 1.10, 1.34, 1.57], abs=0.006)


def test_posterior_against_bayes_rule_by_integration():
    """Derived: prior density times Poisson likelihood, integrated."""
    prior, count, cans = Prior(mean=60.0, shape=3.0), 9, 8e4
    density = stats.gamma(3.0, scale=60.0 / 3.0)

    def moment(power, above=0.0):
        return integrate.quad(
            lambda rate: rate**power * density.pdf(rate) * stats.poisson.pmf(count, rate * cans / 1e6), above, 800.0
        )[0]

    found = shrink.shrink([count], [cans], prior)
    assert found.rate[0] == pytest.approx(moment(1) / moment(0), rel=1e-8)
    assert moment(0, found.low[0]) / moment(0) == pytest.approx(0.975)
    assert moment(0, found.high[0]) / moment(0) == pytest.approx(0.025, rel=1e-5)


def test_few_cans_do_not_top_the_list():
    counts, cans = [4, 900, 520, 480, 610, 450], [2e4, 1e7, 1e7, 1e7, 1e7, 1e7]
    prior = shrink.fit_prior(counts, cans)
    found = shrink.shrink(counts, cans, prior)
    assert np.argmax(np.array(counts) / cans) == 0  # 200 per million, of four
    assert np.argmax(found.rate) == 1
    assert found.own_weight[0] < 0.1
    assert found.own_weight[1] > 0.9


def test_machines_alike_share_one_rate():
    prior = shrink.fit_prior([50, 52, 48, 51], 1e6)
    assert prior == Prior(mean=pytest.approx(50.25), shape=201.0, spread=False)
    found = shrink.shrink([50, 52, 48, 51], 1e6, prior)
    assert np.ptp(found.rate) < 1.0


def test_interval_covers_the_true_rates():
    """Derived: 40 fleets of 14 machines with gamma rates; the interval of 95 % covers 90 to 98 % of them."""
    rng = np.random.default_rng(3)
    inside = []
    for _ in range(40):
        rates, cans = rng.gamma(4.0, 15.0, 14), rng.uniform(5e4, 2e6, 14)
        counts = rng.poisson(rates * cans / 1e6)
        found = shrink.shrink(counts, cans, shrink.fit_prior(counts, cans))
        inside.append((found.low <= rates) & (rates <= found.high))
    assert 0.90 < np.mean(inside) < 0.98


def test_shrinkage_comes_nearer_the_truth_than_the_raw_rate():
    rng = np.random.default_rng(4)
    rates, cans = rng.gamma(4.0, 15.0, 200), rng.uniform(2e4, 2e6, 200)
    counts = rng.poisson(rates * cans / 1e6)
    found = shrink.shrink(counts, cans, shrink.fit_prior(counts, cans))
    raw_error = np.mean((counts / cans * 1e6 - rates) ** 2)
    assert np.mean((found.rate - rates) ** 2) < 0.8 * raw_error


@pytest.mark.parametrize("counts", [[0, 0, 5], [0, 3000], [1], [10**6, 10**6 + 5000], [0, 10**7], [5, 5, 5]])
def test_odd_fleets_give_finite_priors(counts):
    prior = shrink.fit_prior(counts, 1e6)
    found = shrink.shrink(counts, 1e6, prior)
    for column in (found.rate, found.low, found.high, found.sd):
        assert np.isfinite(column).all()
    assert (found.low <= found.rate).all()
    assert (found.rate <= found.high).all()


def test_funnel_limits_have_their_tails():
    """Derived: where the limit is a whole count, the Poisson distribution function there is the level."""
    cans = np.geomspace(1e4, 1e8, 300)
    low, high = shrink.funnel(50.0, cans, level=0.998)
    expected = 50.0 * cans / 1e6
    low_count, high_count = low * cans / 1e6, high * cans / 1e6
    assert (stats.poisson.cdf(np.floor(high_count), expected) <= 0.999 + 1e-9).all()
    assert (stats.poisson.cdf(np.floor(high_count) + 1, expected) >= 0.999 - 1e-9).all()
    assert (low_count >= 0).all()
    assert (
        np.diff(high)[expected[1:] > 12] < 0
    ).all()  # below, whole counts leave ripples of a few tenths of a percent
    assert (high[-1], low[-1]) == pytest.approx((50 + 3.09 * 50 / 5000**0.5, 50 - 3.09 * 50 / 5000**0.5), rel=0.002)


def test_wide_counts_widen_the_funnel():
    narrow, wide = (shrink.funnel(50.0, [1e7], dispersion=d)[1][0] - 50.0 for d in (1.0, 4.0))
    assert wide == pytest.approx(2 * narrow, rel=0.03)
    assert shrink.funnel(50.0, [1e7], dispersion=0.5)[1][0] - 50.0 == pytest.approx(narrow)
    low, high = shrink.funnel(0.0, [1e7])
    assert (low.tolist(), high.tolist()) == ([0.0], [0.0])


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: shrink.fit_prior([0, 0, 0], 1e6), "counts"),
        (lambda: shrink.fit_prior([3, 4], [1e6, 0]), "cans"),
        (lambda: shrink.shrink([3], 1e6, Prior(0.0, 1.0)), "prior"),
        (lambda: shrink.shrink([3], 1e6, Prior(10.0, float("nan"))), "prior"),
        (lambda: shrink.funnel(-5.0, [1e6]), "rate"),
        (lambda: shrink.funnel(5.0, [1e6], level=2.0), "level"),
    ],
)
def test_bad_input_is_told_beside_its_field(call, field):
    with pytest.raises(CalcError) as told:
        call()
    assert told.value.field == field
