"""Severity against a rate on fleets whose truth is known: simulated, so that the answer can be checked.

Published data sets are held against the regression itself in test_regression.py; what is asked here is whether the
whole way from stretches to an effect is right: coverage of the 95 % interval over 50 fleets, and that a rise of the
whole fleet is not laid at the door of the alignment.
"""

import numpy as np
import pytest

from linelog.calc.errors import CalcError
from linelog.calc.misalignment import FEWEST_COUNTS, Rows, cells, drawn, hold_against, merge_periods
from tests.bench.fleet_of_rates import fleet, interval_rates

SEEDS = 50


def rows(counts, severity, *, cans=5_000_000, machine=None, period=None, factor=None):
    n = len(counts)
    return Rows(
        counts=np.array(counts),
        cans=np.full(n, cans) if np.isscalar(cans) else np.array(cans),
        severity=np.array(severity, dtype=float),
        machine=np.zeros(n, dtype=np.int64) if machine is None else np.array(machine),
        period=np.zeros(n, dtype=np.int64) if period is None else np.array(period),
        factor=np.ones(n) if factor is None else np.array(factor),
    )


@pytest.mark.parametrize("spread", [0.0, 0.05])
def test_the_95_percent_interval_covers_the_truth_in_90_to_99_percent_of_50_fleets(spread):
    found = interval_rates(SEEDS, effect=0.3, spread=spread)
    assert 0.90 <= found.covered <= 0.99
    assert found.mean == pytest.approx(0.3, abs=0.03)


def test_a_rise_of_the_whole_fleet_is_not_laid_at_the_door_of_the_alignment():
    """Metal: half way through, every machine tears off twice as often; severities rise as well; no effect."""
    with_periods = interval_rates(SEEDS, effect=0.0, spread=0.02, metal=2.0, drifting=True)
    assert with_periods.covered >= 0.90
    assert abs(with_periods.mean) < 0.03
    without = interval_rates(10, effect=0.0, spread=0.02, metal=2.0, drifting=True, periods=False)
    assert without.covered < 0.5, "the case is no test if it misleads nobody"


def test_the_curve_and_its_points_stand_at_the_rate_that_was_put_in():
    made = hold_against(fleet(np.random.default_rng(3), effect=0.4, spread=0.0, machines=12, stretches=40))
    for point in made.points:
        curve = made.base * made.ratio ** (point.severity - made.centre)
        assert point.low * 0.97 < curve < point.high * 1.03
    assert sum(point.cans for point in made.points) == made.fit.cans


def test_what_holding_within_limits_is_worth_by_hand():
    """Two severities, 0.5 and 1.5, with rates 10 and 20 a million: e to the effect is 2, so 1.0 brings sqrt(2)*10."""
    counts, severity = [50, 100] * 8, [0.5, 1.5] * 8
    made = hold_against(rows(counts, severity))
    assert made.ratio == pytest.approx(2.0, rel=1e-6)
    assert made.worth.count == pytest.approx(8 * (100 - 50 * 2**0.5), rel=1e-6)
    assert made.worth.low < made.worth.count < made.worth.high
    assert made.worth.cans_out == 8 * 5_000_000


def test_a_machine_by_itself_takes_the_time_from_the_fleet():
    factor = np.repeat([1.0, 2.0], 8)
    severity = np.concatenate([np.linspace(0.2, 1.0, 8), np.linspace(0.6, 1.4, 8)])
    counts = np.rint(100 * factor).astype(int)
    assert hold_against(rows(counts, severity, factor=factor)).ratio == pytest.approx(1.0, abs=1e-6)
    assert hold_against(rows(counts, severity)).ratio > 1.5


def test_periods_are_put_together_until_each_holds_enough():
    given = rows([9, 9, 9, 30, 30, 30, 1], [0.1] * 7, machine=[1, 2, 3, 1, 2, 3, 1], period=[0, 0, 0, 1, 1, 1, 2])
    assert merge_periods(given).tolist() == [0, 0, 0, 1, 1, 1, 1]
    few = rows([1] * 6, [0.1] * 6, machine=[1, 2, 3] * 2, period=[0, 0, 0, 1, 1, 1])
    assert merge_periods(few).tolist() == [0] * 6


def test_factors_of_periods_are_found_again():
    made = hold_against(fleet(np.random.default_rng(5), effect=0.2, spread=0.0, metal=2.0, machines=20, stretches=20))
    early, late = made.factors[0], made.factors[19]
    assert late / early == pytest.approx(2.0, rel=0.15)


def test_lines_with_machines_enough_have_a_time_of_their_own_and_small_ones_share_one():
    machine = np.repeat(np.arange(8), 4)
    line = np.array([1, 1, 1, 2, 2, 3, 3, 3])[machine]
    given = rows([20] * 32, np.linspace(0.1, 1.0, 32), machine=machine, period=np.tile([0, 1, 2, 3], 8))
    found = cells(given, line)
    assert len(np.unique(found[line == 1])) == len(np.unique(found[line == 3])) == 4
    assert set(found[line == 2].tolist()) == {-1}, "two machines cannot tell the time from what they do themselves"
    assert not set(found[line == 1].tolist()) & set(found[line == 3].tolist())


def test_a_corrected_curve_is_worth_what_the_same_sum_by_hand_says():
    """As in the case by hand above, with 0.5 and 1.5 as the expected severities."""
    given = rows([50, 100] * 8, [0.5, 1.5] * 8)
    made = drawn(given, given.counts.astype(float), (2.0, 1.5, 2.5))
    assert made.worth.count == pytest.approx(8 * (100 - 50 * 2**0.5), rel=1e-9)
    assert made.worth.low < made.worth.count < made.worth.high
    assert made.base * 2.0 ** (0.5 - made.centre) == pytest.approx(10.0)


SENTENCES = {
    "no visits": (rows([], []), "0 stretches of time"),
    "too few": (rows([50] * 7, range(7)), "7 stretches of time between two signed visits, and 8 are needed"),
    "all offsets equal": (rows([50] * 9, [0.7] * 9), "the same in every row"),
    "never tore off": (rows([0] * 9, range(9)), f"0 were counted in all this time, and {FEWEST_COUNTS} are needed"),
    "no cans": (rows([50] * 9, range(9), cans=0), "A rate needs cans"),
    "cannot settle": (rows([0, 0, 0, 0, 0, 0, 0, 0, 40], [0.1] * 8 + [2.0]), "any size would fit"),
}


@pytest.mark.parametrize("case", SENTENCES)
def test_where_there_is_not_enough_one_sentence_says_why(case):
    given, words = SENTENCES[case]
    with pytest.raises(CalcError, match=words) as refused:
        hold_against(given)
    assert refused.value.message.endswith(".")
