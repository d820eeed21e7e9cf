"""Expected severity and what it costs: closed forms worked by hand (derived; no published table is known)."""

import numpy as np
import pytest

from linelog.calc.errors import CalcError
from linelog.calc.loss import MOST_SEVERE, Running, excess_ahead, severities_ahead, weekly_excess

CREEP, WALK, DOUBT = np.array([0.3, -0.4]), np.diag([4.0, 5.0]), np.diag([0.01, 0.02])
ROW = [3.0, 0.0, *CREEP, np.trace(WALK), np.trace(DOUBT), 20.0]
STAYS = [3.0, 4.0, 0.0, 0.0, 0.0, 0.0, 10.0]


def test_root_mean_square_by_the_moments_of_the_normal():
    """s = 10: mean (6, -4), |mean|^2 = 52, walk 90, doubt 3: sqrt(145)/20."""
    found = severities_ahead([ROW], [[0.0, 10.0]])
    assert found[0].tolist() == pytest.approx([0.15, np.sqrt(145.0) / 20.0])


def test_against_a_simulated_wandering():
    rng = np.random.default_rng(5)
    creep = rng.multivariate_normal(CREEP, DOUBT, 200_000)
    walk = rng.multivariate_normal([0.0, 0.0], WALK * 10.0, 200_000)
    ends = np.array([3.0, 0.0]) + creep * 10.0 + walk
    wanted = np.sqrt((ends**2).sum(axis=1).mean()) / 20.0
    assert severities_ahead([ROW], [[10.0]])[0, 0] == pytest.approx(wanted, rel=0.01)


def test_without_a_drift_it_stays_and_never_goes_beyond_what_anybody_ran():
    assert severities_ahead([STAYS], [[0.0, 50.0]])[0].tolist() == [0.5, 0.5]
    assert severities_ahead([[300.0, *ROW[1:]]], [[1.0]])[0, 0] == MOST_SEVERE


def test_many_places_at_once_are_each_as_it_would_be_alone():
    strokes = np.array([[0.0, 10.0], [5.0, 7.0]])
    together = severities_ahead([ROW, STAYS], strokes)
    assert together[0] == pytest.approx(severities_ahead([ROW], strokes[:1])[0])
    assert together[1] == pytest.approx(severities_ahead([STAYS], strokes[1:])[0])


def test_loss_of_a_week_by_hand():
    """100 per million at severity 1, 2 million a week, doubling per unit: at 2 it is 200, aligned to 0 it is 50."""
    found = weekly_excess(Running(100.0, 1.0, 2.0), [1.0, 2.0], after=0.0, ratio=2.0)
    assert found.tolist() == pytest.approx([2.0 * (100.0 - 50.0), 2.0 * (200.0 - 50.0)])


def test_a_machine_better_than_an_alignment_leaves_it_loses_nothing():
    assert weekly_excess(Running(100.0, 0.2, 2.0), [0.2], after=0.5, ratio=1.3)[0] == 0.0
    assert weekly_excess(Running(100.0, 1.0, 2.0), [1.0], after=0.5, ratio=1.0)[0] == 0.0


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: severities_ahead([STAYS], [[-1.0]]), "strokes_million"),
        (lambda: severities_ahead([[float("nan"), *STAYS[1:]]], [[1.0]]), "places"),
        (lambda: severities_ahead([[0.0] * 7], [[1.0]]), "places"),
        (lambda: severities_ahead([[1.0] * 7], [1.0]), "strokes_million"),
        (lambda: weekly_excess(Running(1.0, 0.5, 1.0), [-0.1], after=0.0, ratio=1.3), "severity"),
        (lambda: weekly_excess(Running(1.0, 0.5, 1.0), [0.1], after=0.0, ratio=0.0), "ratio"),
        (lambda: weekly_excess(Running(1.0, 0.5, -1.0), [0.1], after=0.0, ratio=1.3), "strokes_a_week_million"),
        (lambda: weekly_excess(Running(float("inf"), 0.5, 1.0), [0.1], after=0.0, ratio=1.3), "per_million"),
    ],
)
def test_what_makes_no_sense_is_refused(call, field):
    with pytest.raises(CalcError) as refused:
        call()
    assert refused.value.field == field


def test_many_machines_at_once_lose_what_each_does_alone():
    severity = np.array([[0.6, 0.9, 1.4], [0.1, 0.2, 3.0]])
    rows = [[100.0, 0.6, 2.0, 0.4], [40.0, 0.0, 0.5, 0.0]]
    together = excess_ahead(rows, severity, ratio=1.3)
    for (rate, now, million, after), ahead, found in zip(rows, severity, together, strict=True):
        by_hand = rate * million * (1.3 ** (ahead - now) - 1.3 ** (after - now))
        assert found == pytest.approx(np.maximum(by_hand, 0.0))


@pytest.mark.parametrize(
    ("rows", "severity"),
    [([[1.0, 0.5, 1.0, 0.0]], [0.5]), ([[1.0, np.nan, 1.0, 0.0]], [[0.5]]), ([[1.0, 0.5, 1.0, 0.0]], [[-0.5]])],
)
def test_many_machines_with_numbers_of_no_use_are_refused(rows, severity):
    with pytest.raises(CalcError):
        excess_ahead(rows, severity, ratio=1.3)
