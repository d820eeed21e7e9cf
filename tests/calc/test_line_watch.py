"""One upward CUSUM a machine against its line: its limit, its events, and what it tells of itself."""

import numpy as np
import pytest

from linelog.calc.errors import CalcError
from linelog.calc.line_watch import BASE_DAYS, EVENT_DAYS, FIRST_DAYS, SLACK, LineCounts, limit_of, watch
from linelog.calc.watch_design import find_delay, find_width
from tests.bench.bench_signals import BUDGET, of_world
from tests.bench.watched_plants import TUNED_ON, small

CANS, DAYS = 400_000.0, 400
WIDE = np.array([4.0])  # so wide that chance signals hardly ever
WORLDS = {world.name: world for world in TUNED_ON}


def plant(machines=6, days=DAYS, seed=1, per_million=50.0, lines=1):
    """Return a line of machines whose counts are chance alone."""
    rng = np.random.default_rng(seed)
    counts = rng.poisson(CANS * per_million * 1e-6, (days, machines)).astype(float)
    return LineCounts(
        counts, np.full((days, machines), CANS), np.arange(machines) % lines, np.zeros((days, machines), dtype=bool)
    )


@pytest.mark.parametrize(("run_length", "h"), [(336.0, 4.0), (930.0, 5.0)])
def test_the_limit_is_that_of_the_tables_of_run_lengths(run_length, h):
    """One-sided, k = 0.5: twice the two-sided 168 and 465 of the e-Handbook, 6.3.2.3 (Siegmund is within 1 %)."""
    scatter = np.array([2.0])
    daily = scatter * (0.5 / SLACK) ** 2
    assert limit_of(daily, scatter, run_length) / np.sqrt(daily * scatter) == pytest.approx(h, rel=0.01)


@pytest.mark.parametrize("daily", [0.1, 2.0, 20.0, 1000.0])
def test_the_limit_grows_with_the_scatter_and_is_none_where_nothing_may_signal(daily):
    scatters = np.array([0.5, 1.0, 2.0, 7.0, 60.0, 500.0])
    limits = limit_of(np.full(6, daily), scatters)
    assert (np.diff(limits) > 0.0).all()
    assert limit_of(np.array([daily]), np.array([np.inf])).tolist() == [np.inf]


def test_what_a_line_shares_is_no_signal_and_what_one_machine_does_is():
    data = plant()
    data.counts[200:230] += np.random.default_rng(8).poisson(20.0, (30, 6))  # a bad metal lot of the line
    data.counts[300:, 2] = np.round(data.counts[300:, 2] * 1.5)
    seen = watch(data, WIDE)
    raised = np.argwhere(seen.signal[:, 0])
    assert not seen.signal[200:231].any()
    day, machine = next(tuple(one) for one in raised if one[0] >= 300)
    assert (machine, day <= 312) == (2, True)
    assert 296 <= seen.first[day, 0, 2] <= 303


def test_a_rise_that_stays_is_one_event_and_becomes_the_base():
    data = plant(days=600)
    data.counts[200:, 2] = np.round(data.counts[200:, 2] * 1.8)
    seen = watch(data, WIDE)
    assert seen.signal[200:, 0, 2].sum() == 1
    day = int(np.argmax(seen.signal[:, 0, 2]))
    assert not seen.watched[day + 1 : day + EVENT_DAYS, 0, 2].any()
    before, after = (CANS * 1e6 / CANS * seen.base[at, 0, 2] for at in (day, 590))
    assert after / before == pytest.approx(1.8, rel=0.1)
    assert not seen.back[:, 0, 2].any()


def test_a_rate_that_is_back_ends_its_event_and_leaves_the_base_alone():
    data = plant(days=600)
    data.counts[200:212, 2] = np.round(data.counts[200:212, 2] * 2.5)
    seen = watch(data, WIDE)
    assert seen.signal[195:300, 0, 2].sum() == 1
    assert seen.back[200:300, 0, 2].sum() == 1
    assert seen.base[240, 0, 2] / seen.base[200, 0, 2] == pytest.approx(1.0, abs=0.1)


def test_a_visit_ends_an_event_and_a_rise_after_it_is_another():
    data = plant(days=600)
    data.counts[200:, 2] = np.round(data.counts[200:, 2] * 1.8)
    seen = watch(data, WIDE)
    day = int(np.argmax(seen.signal[:, 0, 2]))
    data.renewed[day + 5, 2] = True
    again = np.flatnonzero(watch(data, WIDE).signal[:, 0, 2])
    assert again[0] == day
    assert day + 5 < again[1] < day + 20


def test_a_fall_raises_nothing_and_the_base_follows_it():
    data = plant(days=500)
    data.counts[200:, 2] = np.round(data.counts[200:, 2] * 0.5)
    seen = watch(data, WIDE)
    assert not seen.signal[200:, 0, 2].any()
    assert seen.base[300, 0, 2] / seen.base[199, 0, 2] == pytest.approx(0.5, abs=0.1)


def test_a_machine_alone_in_its_line_is_not_watched():
    data = plant(machines=3, lines=2)
    seen = watch(data, 3.0 * WIDE)
    assert seen.watched[:, 0].sum(axis=0).tolist() == [DAYS - FIRST_DAYS, 0, DAYS - FIRST_DAYS]


def test_a_machine_that_begins_late_is_watched_once_it_has_a_base():
    data = plant()
    data.counts[:150, 4] = data.cans[:150, 4] = 0.0
    watched = np.flatnonzero(watch(data, WIDE).watched[:, 0, 4])
    assert 150 + BASE_DAYS <= watched[0] < 150 + BASE_DAYS + 7  # and a week of scatter


def test_days_without_cans_change_nothing():
    data = plant()
    before = watch(data, WIDE)
    data.counts[100:140, 1] = data.cans[100:140, 1] = 0.0
    after = watch(data, WIDE)
    assert not after.watched[100:140, 0, 1].any()
    assert np.isfinite(after.base).all()
    assert after.base[141, 0, 1] == pytest.approx(before.base[100, 0, 1], rel=0.05)


def test_the_past_is_not_touched_by_what_comes_later():
    data = plant(seed=3)
    early, late = watch(data.until(300), WIDE), watch(data, WIDE)
    assert np.array_equal(early.total, late.total[:300])
    assert np.array_equal(early.signal, late.signal[:300])


def test_a_past_that_is_too_short_gives_no_width_and_no_delay():
    assert find_width(plant(machines=2, days=200), 4.0) is None
    assert find_delay(plant(days=70), 1.0, 1) is None


def test_a_larger_budget_is_quicker():
    data = plant(days=700, seed=5, per_million=15.0)
    soon = []
    for budget in (1.0, 4.0):
        width = find_width(data, budget)
        assert width.a_year <= budget * 1.01
        soon.append(find_delay(data, width.widening, 1).soon)
    assert soon == sorted(soon)
    assert soon[-1] - soon[0] > 0.05


@pytest.mark.parametrize(
    "broken",
    [
        lambda data: LineCounts(data.counts[:9], data.cans, data.line, data.renewed),
        lambda data: LineCounts(-1.0 - data.counts, data.cans, data.line, data.renewed),
        lambda data: LineCounts(data.counts * np.nan, data.cans, data.line, data.renewed),
    ],
)
def test_what_cannot_be_is_refused(broken):
    with pytest.raises(CalcError):
        broken(plant())


@pytest.mark.parametrize(
    ("name", "soon"),
    [
        ("rates: lots", 0.7),
        ("rates: lots, wander 0.15 in 30 days", 0.4),
        ("offsets: scatter 7, all, wander 0.2", 0.2),
    ],
)
def test_the_budget_holds_where_machines_did_nothing_and_rises_are_seen(name, soon):
    """Two makers of plants that know nothing of this; goals of the plant's manager, no published source."""
    tally = of_world(small(WORLDS[name]), 2, before=False)
    assert np.mean(tally.a_year) <= 1.25 * BUDGET
    assert tally.soon >= soon
    assert np.mean(tally.said) == pytest.approx(tally.soon, abs=0.15)
