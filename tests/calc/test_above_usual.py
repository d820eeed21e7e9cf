import numpy as np
import pytest
from scipy import stats

from linelog.calc.above_usual import above_usual, overspread

LINE = [1] * 6


def plant(rng, machines=6, months=12, per_month=400.0, spread=0.0):
    made = np.full((machines, months), 1e7)
    return rng.poisson(per_month * np.exp(rng.normal(0.0, spread, (machines, 1))) * np.ones((1, months))), made


def test_few_counts_are_held_against_the_others_exactly():
    """Derived: beside 9 of the five others, five at a sixth each is binomial chance, 0.069; seven is 0.010."""
    counts = np.zeros((6, 1))
    counts[0], counts[1:, 0] = 5.0, [2, 2, 2, 2, 1]
    assert stats.binom.sf(4, 14, 1 / 6) == pytest.approx(0.069, abs=1e-3)
    assert not above_usual(counts, np.ones((6, 1)), LINE).above.any()
    counts[0] = 7.0
    assert stats.binom.sf(6, 16, 1 / 6) == pytest.approx(0.0101, abs=1e-4)
    assert above_usual(counts, np.ones((6, 1)), LINE).above[:, 0].tolist() == [True] + [False] * 5


def test_what_goes_over_a_whole_line_is_nobodys_problem():
    """A lot of metal: one line has three times the usual in half of the months, the other has not."""
    rng = np.random.default_rng(2)
    lot = np.ones((12, 12))
    lot[:6, 6:] = 3.0
    counts = rng.poisson(200.0 * lot).astype(float)
    judged = above_usual(counts, np.full((12, 12), 1e7), [1] * 6 + [2] * 6)
    assert not judged.above.any()
    assert judged.expected[:6, 6:] == pytest.approx(600.0, rel=0.2)


def test_machines_that_differ_are_no_problem_and_one_that_rose_is():
    rng = np.random.default_rng(5)
    counts, made = plant(rng, machines=12, spread=0.25)
    counts = counts.astype(float)
    assert above_usual(counts, made, [1] * 12).above.sum() <= 2
    counts[3, -5:] = np.round(1.6 * counts[3, -5:])
    judged = above_usual(counts, made, [1] * 12)
    assert judged.above[3, -5:].all()
    assert np.delete(judged.above, 3, axis=0).sum() <= 2


@pytest.mark.parametrize("machines", [0, 1])
def test_without_others_nothing_is_above(machines):
    counts = np.full((machines, 8), 50.0)
    assert not above_usual(counts, np.ones((machines, 8)), [1] * machines).above.any()


def test_where_nothing_was_made_nothing_is_above():
    counts = np.full((6, 12), 50.0)
    made = np.full((6, 12), 1e7)
    made[2, 4:], counts[2, 4:] = 0.0, 0.0
    judged = above_usual(counts, made, LINE)
    assert not judged.above.any()
    assert (judged.expected[2, 4:] == 0.0).all()


def test_scatter_is_measured_without_the_outermost():
    """Held against normal scores of a known spread; one far outside hardly widens it."""
    rng = np.random.default_rng(1)
    expected = np.full((10, 100), 100.0)
    for spread in (1.0, 3.0):
        counts = expected + spread * 10.0 * rng.normal(size=expected.shape)
        assert overspread(counts, expected) == pytest.approx(max(1.0, spread**2), rel=0.12)
        counts[0, :5] = 5000.0
        assert overspread(counts, expected) == pytest.approx(max(1.0, spread**2), rel=0.15)
