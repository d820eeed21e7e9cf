from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from linelog.calc.began import FREEDOM, UNKNOWN, Counted, Moved, began, began_in_counts, log_marginals

EVERY = 60.0


def moved(shares, every=EVERY, u=0.05):
    return [Moved(every * n, every * (n + 1), share, u) for n, share in enumerate(shares)]


def test_the_likelihood_is_students_t_of_all_movements_at_once():
    """Held against scipy: level 0.2 (0.3), further part 1.2 (0.8), scatter 0.3 and 0.4 of the part."""
    shares = [0.1, 0.3, 0.9, 1.4]
    days, found = np.array([0.0, 60.0, 150.0]), log_marginals(moved(shares), np.array([0.0, 60.0, 150.0]))
    told = np.empty_like(found)
    for row, day in enumerate(days):
        for column, power in enumerate((0.0, 0.5, 1.0)):
            had = np.clip((60.0 * np.arange(1, 5) - day) / EVERY, 0.0, 1.0)
            part = np.where(had > 0, had**power, 0.0)
            own = np.diag(0.3**2 + 0.05**2 + (0.4 * 1.2 * part) ** 2)
            shape = own + 0.3**2 + 0.8**2 * np.outer(part, part)
            told[row, column] = stats.multivariate_t.logpdf(shares, 0.2 + 1.2 * part, shape, df=int(FREEDOM))
    assert found - found[0, 0] == pytest.approx(told - told[0, 0])


def test_a_plain_step_is_found_between_its_two_visits():
    found = began(moved([0.1, 0.3, 0.2, 0.15, 0.2, 1.6, 1.8, 1.7]))
    assert 4 * EVERY <= found.likely <= 6 * EVERY
    assert found.low >= 4 * EVERY
    assert found.high <= 6 * EVERY
    partly = began(moved([0.1, 0.3, 0.2, 0.15, 0.2, 0.75, 1.8, 1.7]))
    assert partly.likely > found.likely, "half the movement: it began later in that interval"


@pytest.mark.parametrize("shares", [[], [1.5, 1.6], [0.4, 0.9, 0.3, 1.0, 0.5, 1.1, 0.4, 0.9]])
def test_no_day_is_told_where_there_is_none(shares):
    assert began(moved(shares)) == UNKNOWN


def test_what_was_so_from_the_first_visit_on_has_no_day():
    assert began(moved([1.5, 1.6, 1.4, 1.7, 1.5, 1.6])).low is None
    assert began(moved([1.5, 1.6, 1.4, 1.7, 1.5, 1.6])).likely is None


@pytest.mark.parametrize("power", [0.0, 1.0])
def test_the_interval_holds_the_day_about_as_often_as_it_says(power):
    """Simulated apart from its own model: gamma sizes, normal wander, uneven visits, a day anywhere in two years."""
    rng, held = np.random.default_rng(7), []
    for _ in range(120):
        ends = np.cumsum(rng.uniform(40.0, 90.0, 12))
        day = rng.uniform(ends[1], ends[8])
        spans = list(pairwise(ends))
        had = [max(b - max(a, day), 0.0) / 65.0 for a, b in spans]
        sizes = [rng.gamma(9.0, 1.4 / 9.0) * (part**power if part else 0.0) for part in had]
        shares = [size + rng.normal(0.15, 0.25) for size in sizes]
        found = began([Moved(a, b, share, 0.05) for (a, b), share in zip(spans, shares, strict=True)])
        if found.high is not None:
            held.append((found.low is None or found.low <= day) and day <= found.high)
    assert len(held) > 105
    assert 0.85 <= np.mean(held) <= 0.99


def months(counts, expected=50.0):
    return [Counted(30.0 * n, 30.0 * (n + 1), count, expected) for n, count in enumerate(counts)]


def test_counts_that_rise_are_dated_by_the_month():
    found = began_in_counts(months([50, 47, 53, 51, 49, 52, 100, 104, 98, 101]))
    assert 165 <= found.low <= found.likely <= found.high <= 195
    assert began_in_counts(months([50, 52])) == UNKNOWN
    assert began_in_counts(months([58, 45, 60, 44, 61, 47, 59, 52])) == UNKNOWN


def test_the_interval_of_counts_holds_the_day_about_as_often_as_it_says():
    """Simulated: Poisson months, levels of machines 10 % apart, a rise to 1.3 to 2.2 on any day of the year."""
    rng, held = np.random.default_rng(11), []
    for _ in range(120):
        day, level, ratio = rng.uniform(60.0, 300.0), np.exp(rng.normal(0.0, 0.1)), rng.uniform(1.3, 2.2)
        part = np.clip((30.0 * np.arange(1, 13) - day) / 30.0, 0.0, 1.0)
        found = began_in_counts(months(rng.poisson(50.0 * level * (1.0 + (ratio - 1.0) * part))))
        if found.high is not None:
            held.append((found.low is None or found.low <= day) and day <= found.high)
    assert len(held) > 100
    assert 0.85 <= np.mean(held) <= 0.97
