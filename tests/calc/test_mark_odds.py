"""Whose a can is by the odds: held against worked examples of Bayes' rule and of the gamma-Poisson mean."""

import math

import pytest

from linelog.calc.mark_odds import (
    DATES_WRONG,
    PRIOR_FINDINGS,
    UNRECORDED,
    Possible,
    relative_rate,
    share_by_age,
    weigh,
)


def possible(typed=1.0, **more):
    return Possible(**{"typed": typed, "days_off": 0, "cans": None, "found": 0.0, "expected": 0.0, **more})


def test_it_is_bayes_rule_with_the_cans_as_prior():
    # A cab was in an accident: 85 % of cabs are green, 15 % blue; the witness is right 8 times in 10 and says blue.
    # The answer is 0.41 (Kahneman, Thinking, Fast and Slow, chapter 16).
    odds = weigh([possible(0.8, cans=15.0), possible(0.2, cans=85.0)], 0.0)
    assert odds.chances[0] == pytest.approx(0.41, abs=0.005)
    assert sum(odds.chances) == pytest.approx(1.0)
    assert odds.unrecorded == 0.0


def test_the_rate_is_the_mean_of_a_gamma_prior_updated_by_poisson_counts():
    # Posterior of a gamma(a, b) prior after y events in exposure x: mean (a + y) / (b + x) (Gelman et al., Bayesian
    # Data Analysis, section 2.6: 3 deaths in 200,000 with gamma(3, 5): 6 / 7 = 0.86 per 100,000).
    # Of all it is 3 / 5 = 0.6, so that 1.2 are expected; here in units of this program's prior.
    unit = PRIOR_FINDINGS / 3.0
    assert 0.6 * relative_rate(3.0 * unit, 1.2 * unit) == pytest.approx(6 / 7)
    assert relative_rate(0.0, 0.0) == 1.0
    assert 4.0 > relative_rate(40.0, 10.0) > relative_rate(4.0, 1.0) > 1.0


def test_more_like_findings_and_more_cans_make_a_machine_likelier():
    plain = weigh([possible(), possible()], 0.0).chances
    assert plain == pytest.approx((0.5, 0.5))
    assert weigh([possible(found=8.0, expected=4.0), possible(expected=4.0)], 0.0).chances[0] == pytest.approx(
        8.5 / (8.5 + 0.5)
    )
    stood = weigh([possible(cans=0.0), possible(cans=400_000.0)], 0.0).chances
    assert 0.0 < stood[0] < 0.03


def test_a_mark_of_other_days_is_less_likely_the_further_off():
    chances = [weigh([possible(), possible(days_off=off)], 0.0).chances[1] for off in (0, 1, 8, 31)]
    assert chances[0] == pytest.approx(0.5)
    assert chances[1] == pytest.approx(DATES_WRONG / (1 + DATES_WRONG))
    assert chances[1] / chances[2] == pytest.approx(math.e, rel=0.03)
    assert chances[3] == 0.0


def test_two_marks_of_one_machine_share_its_cans():
    odds = weigh([possible(cans=1.0, marks=2), possible(cans=1.0, marks=2), possible(cans=1.0)], 0.0)
    assert odds.chances == pytest.approx((0.25, 0.25, 0.5))


def test_a_mark_that_nobody_wrote_down_is_left_room():
    odds = weigh([possible(0.001)], 1.0)
    assert odds.unrecorded == pytest.approx(UNRECORDED / (UNRECORDED + 0.001))
    assert weigh([], 0.5).unrecorded == 1.0
    assert weigh([possible(0.0)], 0.0).unrecorded == 1.0


def test_the_age_of_a_fit_counts_as_often_as_it_was_right():
    assert share_by_age(0, 0, 2) == (1.0, 1.0)
    assert share_by_age(0, 0, 5) == pytest.approx((1.0, 1.0))
    newest, other = share_by_age(9, 10, 2)  # Laplace's rule of succession: (9 + 1) / (10 + 2)
    assert newest / 2 == pytest.approx(10 / 12)
    assert (newest + other) / 2 == pytest.approx(1.0)
    assert share_by_age(3, 5, 1) == (1.0, 1.0)
