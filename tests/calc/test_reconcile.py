"""Static and running: pairing, prediction intervals against tables and statsmodels, beam against experience."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from linelog.calc.differences import Step, passes
from linelog.calc.errors import CalcError
from linelog.calc.reconcile import (
    Agreement,
    BeamModel,
    Measured,
    Pair,
    check,
    find_pairs,
    learn,
    shift_when_running,
)
from linelog.calc.uncertainty import Part, planar
from tests.bench.bench_reconcile import run
from tests.bench.paired_machines import WORLDS

DAY = datetime(2024, 3, 1, 6, tzinfo=UTC)


def day(number):
    return DAY + timedelta(days=number)


def seen(number, x=0.0, y=0.0):
    return Measured(day(number), x, y)


def pairs_of(differences, start=0):
    return [
        Pair(seen(start + 10 * i, 7.0, 90.0), seen(start + 10 * i + 1, 7.0 + dx, 90.0 + dy))
        for i, (dx, dy) in enumerate(differences)
    ]


def test_a_pair_is_a_static_and_the_next_running_result():
    found = find_pairs([seen(0, 1, 2), seen(10, 3, 4)], [seen(1, 5, 6), seen(2, 7, 8), seen(12, 9, 9)], [])
    assert [pair.difference_um for pair in found] == [(4, 4), (6, 5)]


def test_a_move_between_breaks_the_pair():
    assert find_pairs([seen(0)], [seen(5)], [day(3)]) == ()
    assert len(find_pairs([seen(0)], [seen(5)], [day(-1), day(6)])) == 1
    assert len(find_pairs([seen(0)], [seen(5)], [day(0)])) == 1  # the moves of that visit came before its as-left


def test_a_newer_static_takes_the_running_result():
    (pair,) = find_pairs([seen(4, 1, 1), seen(0)], [seen(5, 2, 2)], [])
    assert pair.static.when == day(4)


def test_running_before_static_is_no_pair():
    assert find_pairs([seen(5)], [seen(4)], []) == ()
    assert find_pairs([], [seen(4)], []) == ()


def test_times_with_and_without_zone():
    with pytest.raises(CalcError, match="time zone"):
        find_pairs([seen(0)], [Measured(datetime(2024, 3, 2), 0, 0)], [])  # noqa: DTZ001 - the mistake itself


def test_three_pairs_have_a_level_alone():
    """Hahn & Meeker, Statistical Intervals: factor 4.968 of the 95 % interval for one further value; from memory."""
    values = np.array([-1.0, 0.0, 1.0])
    learned = learn(pairs_of([(v, 0.0) for v in values]))
    assert learned.next_within_um[0] / values.std(ddof=1) == pytest.approx(4.968, abs=1e-3)
    assert learned.mean_um[0] == pytest.approx(0.0)


def test_from_four_pairs_on_the_interval_is_that_of_a_line_by_statsmodels():
    y = np.array([-118.0, -131, -125, -140, -129])
    days = np.arange(5) * 10.0
    frame = sm.OLS(y, sm.add_constant(days)).fit().get_prediction([1.0, 50.0]).summary_frame(alpha=0.05)
    learned = learn(pairs_of([(0.0, v) for v in y]))
    assert learned.mean_um[1] == pytest.approx(frame["mean"][0])
    assert learned.mean_um[1] - learned.mean_within_um[1] == pytest.approx(frame["mean_ci_lower"][0])
    assert learned.mean_um[1] + learned.next_within_um[1] == pytest.approx(frame["obs_ci_upper"][0])


def test_the_prediction_interval_is_honest():
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(400):
        learned = learn(pairs_of(rng.normal([3, -120], 8, (4, 2))))
        held += abs(rng.normal(-120, 8) - learned.mean_um[1]) <= learned.next_within_um[1]
    assert 0.92 * 400 <= held < 400


def test_pairs_closer_than_they_can_be_measured():
    same = pairs_of([(2.0, -100.0)] * 4)
    assert learn(same).next_within_um == pytest.approx((0.0, 0.0), abs=1e-6)
    assert learn(same, floor_um=3.0).next_within_um == pytest.approx((5.88, 5.88), abs=0.01)  # 1.96 * 3
    assert learn(pairs_of([(0, 0), (50, 50), (-50, -50)]), floor_um=3.0).next_within_um[0] == pytest.approx(
        248.4, abs=0.1
    )


def test_fewer_than_three_pairs_teach_nothing():
    assert learn([]) is None
    assert learn(pairs_of([(0, -100), (0, -110)])) is None


def static(x, y, u):
    return planar(x, y, (Part("reading", u**2, u**2),))


def test_expected_from_pairs():
    """The interval is that of one further difference: of the scatter alone, whatever the static reading's own was."""
    learned = learn(pairs_of([(1, -120), (2, -125), (3, -130)]))
    shift = shift_when_running(learned, BeamModel(-90.0, 10.0))
    told = shift.applied(static(10.0, 140.0, 5.0))
    assert (told.x, told.y) == pytest.approx((12.0, 15.0))
    assert (told.across.u, told.up.u) == pytest.approx((math.sqrt(4 / 3), 5 * math.sqrt(4 / 3)))  # sd * sqrt(1 + 1/n)
    at_95 = float(stats.t.isf(0.025, 2)) * told.up.u
    assert learned.next_within_um[1] == pytest.approx(at_95)
    assert shift.sentence == "From 3 pairs of static and running on this machine."


def test_pairs_of_the_middle_are_carried_to_a_seat_along_the_rams_line():
    learned = learn(pairs_of([(1, -120), (2, -125), (3, -130)]))
    front = shift_when_running(learned, None, beside_um=-9.0).applied(static(10.0, 140.0, 5.0))
    assert (front.x, front.y) == pytest.approx((12.0, 6.0))


def test_expected_from_the_beam_alone():
    """Static readings see the component high by the droop: 140 um read on a ram hanging 163 um is 23 um low."""
    shift = shift_when_running(None, BeamModel(-163.0, 4.0))
    told = shift.applied(static(10.0, 140.0, 3.0))
    assert (told.x, told.y) == (10.0, -23.0)
    assert (told.across.u, told.up.u) == pytest.approx((3.0, 5.0))  # sqrt(3^2 + 4^2)
    assert "droop alone" in shift.sentence


def test_expected_from_nothing_is_not_known():
    assert shift_when_running(None, None) is None


def test_beam_and_pairs_agree():
    pairs = pairs_of([(1, -118), (-2, -124), (0, -121), (2, -119)])
    result = check(pairs, BeamModel(-120.0, 6.0))
    assert result.agreement is Agreement.AGREE
    assert result.apart_um == pytest.approx((0.25, -0.5), abs=2.0)  # of the line through them at the newest
    assert not result.newest_odd


@pytest.mark.parametrize(
    ("differences", "words"),
    [
        ([(1, -168), (-2, -174), (0, -171)], "grown clearance or a worn bushing"),
        ([(1, -68), (-2, -74), (0, -71)], "hangs less"),
        ([(41, -118), (38, -124), (40, -121)], "sideways"),
    ],
)
def test_beam_and_pairs_disagree(differences, words):
    result = check(pairs_of(differences), BeamModel(-120.0, 6.0))
    assert result.agreement is Agreement.DISAGREE
    assert words in result.sentence


def test_agreement_takes_both_uncertainties():
    pairs = pairs_of([(0, -140), (0, -142), (0, -138)])
    assert check(pairs, BeamModel(-120.0, 1.0)).agreement is Agreement.DISAGREE
    assert check(pairs, BeamModel(-120.0, 10.0)).agreement is Agreement.AGREE


def test_not_known_with_too_little():
    few = check(pairs_of([(0, -100)]), BeamModel(-100.0, 5.0))
    assert few.agreement is Agreement.NOT_KNOWN
    assert "3 pairs" in few.sentence
    blind = check(pairs_of([(0, -100)] * 3), None)
    assert blind.agreement is Agreement.NOT_KNOWN
    assert "geometry" in blind.sentence


def test_the_newest_pair_shows_a_change():
    steady = [(0, -120), (1, -122), (-1, -118), (0, -121)]
    assert not check(pairs_of([*steady, (0, -119)]), None).newest_odd
    assert check(pairs_of([*steady, (0, -160)]), None).newest_odd
    assert check(list(reversed(pairs_of([*steady, (0, -160)]))), None).newest_odd
    assert not check(pairs_of([(0, 0), (0, 1), (90, 90)]), None).newest_odd  # two before it prove nothing


@pytest.mark.parametrize("n", range(3, 9))
def test_shifting_all_differences_shifts_the_expectation(n):
    rng = np.random.default_rng(n)
    differences, shift = rng.uniform(-500, 500, (n, 2)), rng.uniform(-100, 100)
    one, two = (
        learn(pairs_of(differences.tolist())),
        learn(pairs_of([(x + shift, y) for x, y in differences.tolist()])),
    )
    assert two.mean_um[0] == pytest.approx(one.mean_um[0] + shift, abs=1e-6)
    assert two.next_within_um == pytest.approx(one.next_within_um, abs=1e-6)


def test_a_trend_is_told_from_a_level_and_followed():
    """A wearing machine: the pairs march from -140 to -250 um; a mean would say -195 for the next."""
    marching = [(0.0, -140.0 - 110.0 * i / 7 + (3.0 if i % 2 else -3.0)) for i in range(8)]
    learned = learn(pairs_of(marching))
    assert learned.moves
    assert learned.mean_um[1] == pytest.approx(-266.0, abs=6.0)
    steady = learn(pairs_of([(0.0, -140.0 + (3.0 if i % 2 else -3.0)) for i in range(8)]))
    assert not steady.moves


def test_the_day_on_which_a_trend_passes_a_limit_by_statsmodels():
    marching = [(0.0, -140.0 - 10.0 * i + (3.0 if i % 2 else -3.0)) for i in range(8)]  # ten days apart
    up = learn(pairs_of(marching)).courses.up
    found = passes(up, -300.0)
    days = np.arange(8) * 10.0
    line = sm.OLS([y for _, y in marching], sm.add_constant(days)).fit()
    ahead = np.arange(70.0, 300.0)
    frame = line.get_prediction(sm.add_constant(ahead)).summary_frame(alpha=0.05)
    assert found.on == ahead[np.argmax(frame["mean"].to_numpy() <= -300.0)]
    assert found.earliest == ahead[np.argmax(frame["mean_ci_lower"].to_numpy() <= -300.0)]
    assert found.latest == ahead[np.argmax(frame["mean_ci_upper"].to_numpy() <= -300.0)]
    assert passes(up, -100.0) is None or passes(up, -100.0).on == 70.0  # it goes the other way
    assert passes(learn(pairs_of([(0.0, -140.0 + (-1) ** i) for i in range(8)])).courses.up, -300.0) is None


def test_a_step_is_suspected_then_certain_and_what_was_before_teaches_the_scatter():
    """A new bushing: 60 um less from one pair to the next."""
    before = [(0.0, -150.0 + wobble) for wobble in (2.0, -3.0, 1.0, -2.0, 3.0, -1.0)]
    one = learn(pairs_of([*before, (0.0, -90.0)]))
    assert one.step is Step.SUSPECTED
    two = learn(pairs_of([*before, (0.0, -90.0), (0.0, -92.0)]))
    assert (two.step, two.used) == (Step.CERTAIN, 2)
    assert two.mean_um[1] == pytest.approx(-91.0)
    assert two.next_within_um[1] < 15.0
    assert learn(pairs_of([*before, (0.0, -90.0), (0.0, -151.0)])).step is Step.NONE  # a misread pair


def test_the_next_pair_is_covered_on_machines_whose_truth_is_known():
    """A seeded tenth of `python -m tests.bench.bench_reconcile`, where 300 machines a world give 93.5 to 96.4 %."""
    found = [run(world, 10) for world in WORLDS]
    held = [one for world in found for row in world.held.values() for one in row]
    assert 0.90 <= np.mean(held) <= 0.98
    told = [one for world in found for one in world.told]
    assert np.mean(told) > 0.8


def test_bad_numbers():
    bad = [Pair(seen(0, math.nan, 0), seen(1))] * 3
    for call in (
        lambda: learn(bad),
        lambda: learn(bad[:1]),
        lambda: learn([], floor_um=-1.0),
        lambda: shift_when_running(None, BeamModel(math.nan, 1)),
        lambda: shift_when_running(None, BeamModel(0, -1)),
        lambda: shift_when_running(learn(pairs_of([(0, 0)] * 3)), None, beside_um=math.inf),
        lambda: check(pairs_of([(0, 0)] * 3), BeamModel(0, -1)),
    ):
        with pytest.raises(CalcError):
            call()
