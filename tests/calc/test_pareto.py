"""Bars against what was to be expected: exact tails, Holm's correction, and fleets of known truth.

The conditional binomial tail is worked out here by summing factorials; Holm's correction by hand as the paper
(Scandinavian Journal of Statistics 6 (1979) 65) describes it: sort, times the number left, never falling.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from linelog.calc import pareto
from linelog.calc.errors import CalcError


def tail(count, total, share):
    return sum(math.comb(total, k) * share**k * (1 - share) ** (total - k) for k in range(count, total + 1))


def test_a_bar_is_held_against_its_share_of_the_cans():
    bars = pareto.by_exposure([14, 3, 3], [2.0e6, 1.0e6, 1.0e6])
    assert bars.expected == pytest.approx([10.0, 5.0, 5.0])
    assert bars.p == pytest.approx([tail(14, 20, 0.5), tail(3, 20, 0.25), tail(3, 20, 0.25)])
    assert not bars.stands_out.any()


def test_the_interval_of_a_count_is_garwoods():
    # Garwood (1936), Biometrika 28, 437: 10 counted, 4.80 to 18.39; none counted, 0 to 3.69
    bars = pareto.by_exposure([10, 0], [1.0, 1.0])
    assert bars.low == pytest.approx([4.795, 0.0], abs=0.001)
    assert bars.high == pytest.approx([18.390, 3.689], abs=0.001)


def test_chances_are_corrected_for_the_number_of_bars():
    bars = pareto.by_exposure([30, 14, 6, 10], [1.0, 1.0, 1.0, 1.0])
    order = np.argsort(bars.p)
    by_hand, highest = np.empty(4), 0.0
    for rank, at in enumerate(order):
        highest = max(highest, min(1.0, (4 - rank) * bars.p[at]))
        by_hand[at] = highest
    assert bars.p_chart == pytest.approx(by_hand)
    assert bars.p_chart == pytest.approx(multipletests(bars.p, method="holm")[1])
    assert bars.stands_out.tolist() == [True, False, False, False]


def test_what_chance_leaves_ends_where_the_summed_tails_of_its_step_do():
    bars = pareto.by_exposure([30, 14, 6, 10], [1.0, 1.0, 1.0, 1.0])
    level = {0: 0.05 / 4}  # Holm: the first bar stands out, so the three left are judged at a third of 5 %
    for at, most in enumerate(bars.most):
        chance = level.get(at, 0.05 / 3)
        assert tail(int(most) + 1, 60, 0.25) <= chance < tail(int(most), 60, 0.25)
        assert 1 - tail(int(bars.least[at]), 60, 0.25) < chance <= 1 - tail(int(bars.least[at]) + 1, 60, 0.25)


counts = st.lists(st.integers(0, 60), min_size=2, max_size=8)


@given(counts, st.randoms(use_true_random=False))
def test_a_bar_stands_out_just_where_it_has_more_than_chance_leaves_it(seen, random):
    made = [random.uniform(0.5, 4.0) for _ in seen]
    base = [random.randint(0, 40) for _ in seen]
    trials = [[random.random() for _ in range(count + random.randint(1, 20))] for count in seen]
    for bars in (
        pareto.by_exposure(seen, made) if sum(seen) else None,
        pareto.by_base(seen, 1e6, base, 3e6),
        pareto.by_strata(seen, trials),
    ):
        if bars is not None:
            assert bars.stands_out.tolist() == (bars.counts > bars.most).tolist()
            assert (bars.least <= bars.expected + 1.0).all()


def test_a_base_of_another_time_is_another_rate():
    # Two Poisson rates given their sum (Przyborowski & Wilenski 1940): 12 on 1 million against 10 on 2 million
    bars = pareto.by_base([12, 0], 1e6, [10, 5], 2e6)
    assert bars.expected == pytest.approx([5.0, 2.5])
    assert bars.p == pytest.approx([tail(12, 22, 1 / 3), 1.0])


def test_sets_are_held_against_the_other_sets_of_their_machines():
    # Two machines: set 0 was in half of the time on the first and a tenth of it on the second.
    bars = pareto.by_strata([3], [[0.5, 0.5, 0.1]])
    assert bars.expected == pytest.approx([1.1])
    assert bars.p == pytest.approx([0.5 * 0.5 * 0.1])
    alike = pareto.by_strata([14], [[0.5] * 20])
    assert alike.p == pytest.approx([tail(14, 20, 0.5)])


SHARES = st.lists(st.sampled_from([0.0, 0.01, 0.2, 0.5, 0.9, 1.0]), min_size=1, max_size=60)


@given(st.lists(SHARES, min_size=1, max_size=4), st.data())
def test_groups_of_unlike_trials_have_each_its_own_tail(shares, data):
    """Derived: the chance of each sum is that of one trial less, with the last one a miss or a hit."""
    counts = [data.draw(st.integers(0, len(own))) for own in shares]
    by_hand = []
    for count, own in zip(counts, shares, strict=True):
        chances = [1.0]
        for share in own:
            chances = [
                miss * (1.0 - share) + hit * share for miss, hit in zip([*chances, 0.0], [0.0, *chances], strict=True)
            ]
        by_hand.append(sum(chances[count:]))
    bars = pareto.by_strata(counts, shares)
    assert bars.p == pytest.approx(by_hand, abs=1e-9)
    assert bars.expected == pytest.approx([sum(own) for own in shares])


def test_a_set_that_was_always_in_expects_all_that_it_has():
    bars = pareto.by_strata([40, 2], [[1.0] * 40, [0.5] * 9])
    assert bars.expected.tolist() == [40.0, 4.5]
    assert not bars.stands_out.any()


@pytest.mark.parametrize(
    "call",
    [
        lambda: pareto.by_exposure([1, 2], [1.0, 0.0]),
        lambda: pareto.by_exposure([1, 2], [1.0, float("nan")]),
        lambda: pareto.by_exposure([1], [1.0]),
        lambda: pareto.by_exposure([-1, 2], [1.0, 1.0]),
        lambda: pareto.by_exposure([1.5, 2], [1.0, 1.0]),
        lambda: pareto.by_base([1], 0.0, [1], 1.0),
        lambda: pareto.by_base([1, 2], 1.0, [1], 1.0),
        lambda: pareto.by_strata([2], [[0.5]]),
        lambda: pareto.by_strata([1], [[1.5]]),
        lambda: pareto.by_strata([1, 1], [[0.5]]),
    ],
)
def test_what_makes_no_sense_is_a_sentence(call):
    with pytest.raises(CalcError, match=r"\.$"):
        call()


@given(
    st.lists(st.tuples(st.integers(0, 400), st.floats(1.0, 1e9)), min_size=2, max_size=40)
)  # fmt: skip
def test_any_counts_give_numbers(rows):
    counts, cans = zip(*rows, strict=True)
    bars = pareto.by_exposure(counts, cans)
    for column in (bars.low, bars.high, bars.expected, bars.p, bars.p_chart):
        assert np.isfinite(column).all()
    assert ((bars.p >= 0.0) & (bars.p_chart <= 1.0) & (bars.p_chart >= bars.p - 1e-12)).all()
    assert bars.expected.sum() == pytest.approx(sum(counts))


def test_on_fleets_of_known_truth_few_charts_lie_and_the_planted_machine_is_found():
    """50 seeds, 14 machines of unlike cans, about 60 findings: common practice sizes, the truth is ours."""
    false_alarms = hits = 0
    for seed in range(50):
        random = np.random.default_rng(seed)
        cans = random.uniform(5e6, 60e6, 14)
        mean = 60.0 * cans / cans.sum()
        false_alarms += bool(pareto.by_exposure(random.poisson(mean), cans).stands_out.any())
        planted = mean.copy()
        planted[np.argmax(cans)] *= 4.0
        hits += bool(pareto.by_exposure(random.poisson(planted), cans).stands_out[np.argmax(cans)])
    print(f"{false_alarms} of 50 charts with a false bar, {hits} of 50 planted machines found")
    assert false_alarms <= 5
    assert hits >= 45
