"""What a visit is worth: against Rice and noncentral chi-square distributions, joint normal sums, and by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from linelog.calc.bushing_now import NEW, bushings_now
from linelog.calc.errors import CalcError
from linelog.calc.kind_effects import KIND_SPREAD, PLANT_SPREAD, likeliest_effects, worst_alone
from linelog.calc.next_visit import Takes, Torn, expected_hours, expects, usual_rates, worth_a_week
from linelog.calc.wander.behaviour import Behaviours
from linelog.calc.wander.follow import Moved
from linelog.calc.wander.odds import DRAWS, Drawn
from linelog.calc.wander.saved import saved


def places(offsets, *, variance=0.0, walk=0.0, error=0.0):
    """Places that stand at known offsets across, in limits, each drawn alike."""
    n, nothing = len(offsets), np.zeros((len(offsets), DRAWS))
    mean = np.zeros((n, DRAWS, 2))
    mean[..., 0] = np.array(offsets)[:, None]
    kinds = Behaviours(np.zeros((n, DRAWS, 2)), nothing + walk, nothing, nothing, nothing, nothing, nothing + 1.0)
    return Drawn(mean, nothing + variance, kinds, nothing + error, Moved(np.zeros((n, 2)), np.zeros(n)))


def visit(drawn, machines, *, effects=None, torn=None, opening=1.0, worst=None, reading_u=0.1):
    n, machine = len(drawn.mean), np.array(machines)
    number = machine.max() + 1
    nothing = np.zeros(number)
    quiet = Torn(np.zeros(number, dtype=np.int64), *(nothing,) * 5)
    effect = np.full(n, math.log(1.5)) if effects is None else np.array(effects)
    after = saved(drawn, np.zeros(n), np.zeros(n), np.full(n, reading_u))
    return expects(after, machine, effect, torn or quiet, Takes(nothing + 2.0, np.full(n, opening)), worst=worst)


def test_where_a_place_stands_has_the_mean_and_the_tail_of_the_distributions_of_a_length():
    """Offset 0.8, standard deviation 0.5 each way: Rice's mean, and P(|N| > 1) by scipy's noncentral chi-square."""
    drawn = saved(places([0.8], variance=0.25), np.zeros(1), np.zeros(1), np.full(1, 0.1))
    assert drawn.far.mean() == pytest.approx(stats.rice.mean(0.8 / 0.5, scale=0.5), rel=0.02)
    chance = stats.ncx2.sf(1.0 / 0.25, 2, 0.8**2 / 0.25)
    assert (drawn.found > 1.0).mean() == pytest.approx(chance, abs=0.03)


def test_a_place_that_stands_still_saves_all_of_its_offset_and_one_that_wanders_less():
    still, wild = (saved(places([2.0], walk=walk), np.zeros(1), np.zeros(1), np.full(1, 0.1)) for walk in (0.0, 0.1))
    assert still.limits.mean() == pytest.approx(2.0)
    # After so many strokes, with variance 0.1 a million each way, Rice's means with and without the 2 limits, and
    # nothing beyond 3 limits: sampled here.
    rng = np.random.default_rng(4)
    wanted = []
    for million in (3.0, 9.0, 15.0, 21.0):
        step = rng.normal(0.0, math.sqrt(0.1 * million), (400_000, 2))
        far = [np.minimum(np.hypot(step[:, 0] + start, step[:, 1]), 3.0).mean() for start in (2.0, 0.0)]
        wanted.append(far[0] - far[1])
    assert wild.limits.mean() == pytest.approx(np.mean(wanted), abs=0.05)


def test_what_is_found_out_is_opened_and_what_is_in_only_where_an_hour_of_it_pays():
    """One place 2 limits out sets what an hour gains: 2 of 3 h. At 0.9 of the limit 0.2 h pay, 5 h do not."""
    cheap, dear = (visit(places([2.0, 0.9]), [0, 0], opening=hours) for hours in (0.2, 5.0))
    assert cheap.opens.tolist() == pytest.approx([1.0, 1.0])
    assert cheap.saves.tolist() == pytest.approx([2.0, 0.9])
    assert cheap.beyond[1] < 0.9
    assert dear.opens.tolist() == pytest.approx([1.0, 0.0])


def test_a_station_that_nothing_goes_with_is_opened_when_it_is_out_and_not_before():
    found = visit(places([2.0, 0.9, 1.2]), [0, 0, 0], effects=[0.4, 0.0, 0.0], opening=0.1)
    assert found.opens.tolist() == pytest.approx([1.0, 0.0, 1.0])


def test_where_the_worst_station_alone_counts_the_second_worst_saves_nothing_by_itself():
    """3 places at 2.0, 1.5 and 0.9: a visit brings the worst from 2.0 to 0.9, so 1.1 limits of the worst."""
    effect = 0.3
    found = visit(places([2.0, 1.5, 0.9]), [0, 0, 0], effects=[effect] * 3, worst=0.5)
    assert (found.saves * effect).sum() == pytest.approx(0.5 * 1.1, rel=1e-6)
    assert found.beyond.tolist() == [1.0, 1.0, 1.0]


def test_a_machine_that_tears_more_than_before_and_than_its_line_is_likelier_out():
    """Three like machines; the second tore twice as much in the last four weeks as in the half year before."""
    drawn = places([0.7] * 3, variance=0.25)
    million = np.full(3, 10.0)
    counts = np.array([400.0, 800.0, 400.0])
    torn = Torn(
        np.zeros(3, dtype=np.int64), np.full(3, 28.0), counts, million, counts[[0, 0, 0]] * 6.0, million * 6.0
    )
    plain, told = (visit(drawn, [0, 1, 2], effects=[0.7] * 3, torn=one) for one in (None, torn))
    assert told.opens[1] > plain.opens[1] + 0.1
    assert told.opens[0] < plain.opens[0]
    assert told.opens[0] == pytest.approx(told.opens[2])


@pytest.mark.parametrize("seed", range(5))
def test_likeliest_effects_are_those_of_the_joint_normal_distribution(seed):
    """The mean of the effects given what was found, by conditioning all of them at once."""
    rng = np.random.default_rng(seed)
    logs, ses, assumed = rng.normal(0.4, 0.1, 5), rng.uniform(0.03, 0.4, 5), 0.26
    prior = PLANT_SPREAD**2 + KIND_SPREAD**2 * np.eye(6)
    gain = prior[:, :5] @ np.linalg.inv(prior[:5, :5] + np.diag(ses**2))
    wanted = assumed + gain @ (logs - assumed)
    each, other = likeliest_effects(logs, ses, assumed)
    assert [*each, other] == pytest.approx(np.maximum(wanted, 0.0).tolist())


def test_with_nothing_found_the_assumption_stands_and_no_effect_is_below_none():
    assert likeliest_effects(np.zeros(0), np.zeros(0), 0.2)[1] == pytest.approx(0.2)
    assert likeliest_effects(np.array([-0.5]), np.array([0.01]), 0.2)[0].tolist() == [0.0]
    with pytest.raises(CalcError, match="standard error"):
        likeliest_effects(np.array([0.1]), np.array([0.0]), 0.2)


def test_the_worst_alone_counts_where_it_tells_more_than_half_of_what_all_do():
    assert worst_alone(0.42, np.array([0.18, 0.12, 0.01, 0.12, 0.2]))
    assert not worst_alone(0.59, np.array([0.26, 0.26, 0.24, 0.33, 0.23]))


def test_a_bushing_goes_on_by_its_own_pace_and_a_new_one_by_that_of_all():
    """Three wear 0.1 of the limit in 100 days; one of them was last measured 200 days ago at 0.9, so it is at 1.1."""
    steady = [[(0.0, 0.4), (100.0, 0.5), (200.0, 0.6), (300.0, 0.7)]] * 3
    now = bushings_now([*steady, [(0.0, 0.8), (100.0, 0.9)], [(300.0, 0.3)]], 300.0)
    assert now.severity.tolist() == pytest.approx([0.7, 0.7, 0.7, 1.1, 0.3])
    assert now.opens[3] > 0.7
    assert now.opens[4] < 1e-3
    assert now.saves[3] == pytest.approx(now.opens[3] * (1.1 - NEW))


def test_hours_and_worth_by_hand():
    """1 h, two sweeps of 0.25 h, and half a chance of 4 h; 0.5 limits at 1.5 a limit of 100 a week: 18.4 of them."""
    assert expected_hours(1.0, [0.25, 0.25], [0.5, 0.0], [4.0, 2.0]) == pytest.approx(3.5)
    assert worth_a_week([0.5], [math.log(1.5)], 100.0) == pytest.approx(100.0 * (1.0 - 1.5**-0.5))
    assert usual_rates(np.array([0.0, 40.0]), np.array([0.0, 1.0])).tolist() == pytest.approx([40.0, 40.0])
