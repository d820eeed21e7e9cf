"""What came after a visit against what was to be expected: on plants whose truth is known, and by hand."""

from dataclasses import replace

import numpy as np
import pytest

from linelog.calc.before_after import BeforeAfter, claims, smallest_fall
from linelog.calc.errors import CalcError
from linelog.calc.expected_rate import Record, learn
from tests.bench.bench_helped import record_of, run
from tests.bench.visited_plants import HELPED, NO_EFFECT

SMALL = {"machines": 12, "days": 380}
CALLED = [replace(one, **SMALL) for one in NO_EFFECT if one.name in ("rates, lots, called", "offsets, all, called")]
HELPING = [
    replace(one, **SMALL)
    for one in HELPED
    if one.name in ("rates, quiet, calendar, 0.7", "offsets, all, foreman, 0.7")
]


@pytest.mark.parametrize("world", CALLED, ids=lambda world: world.name)
def test_visits_that_a_high_rate_called_for_and_that_did_nothing_are_not_said_to_help(world, monkeypatch):
    monkeypatch.setattr("tests.bench.bench_helped.FEWEST", 0)
    old, new = run(world, 3)
    assert np.mean(old.lower["visit"]) > 0.25  # so it is with before against after: the reason for all this
    for kind in ("visit", "machine", "reason"):
        assert np.mean(new.lower[kind]) <= 0.03
        assert np.mean(new.higher[kind]) <= 0.03
    assert np.mean(new.ratio) == pytest.approx(1.0, abs=0.08)
    assert all(new.held)


@pytest.mark.parametrize("world", HELPING, ids=lambda world: world.name)
def test_visits_that_help_are_said_to_help(world, monkeypatch):
    monkeypatch.setattr("tests.bench.bench_helped.FEWEST", 0)
    _, new = run(world, 2)
    assert all(new.held)
    assert all(new.lower["all"])
    assert np.mean(new.lower["machine"]) > 0.7
    assert not any(new.higher["all"])


def steady(days=300, machines=6):
    """Machines of one line, 20 counts a day each, without a visit but one."""
    rng = np.random.default_rng(1)
    counts = rng.poisson(20.0, (machines, days)).astype(float)
    visits = np.zeros((machines, days), dtype=bool)
    visits[0, 200] = True
    return Record(counts, np.full((machines, days), 400_000.0), np.zeros(machines, dtype=int), visits)


def test_a_steady_machine_expects_what_it_always_counted():
    found = BeforeAfter(steady(), 7)
    judged = found.judged
    assert judged.expected[0] == pytest.approx(7 * 20.0, rel=0.05)
    assert judged.after[0][0] == steady().counts[0, 201:208].sum()
    assert judged.before[0][0] == steady().counts[0, 193:200].sum()
    # Poisson counts of mean 140: 95 % between 117 and 164 (any table), here a little wider for what is learned
    assert judged.low[0] == pytest.approx(117, abs=6)
    assert judged.high[0] == pytest.approx(164, abs=6)
    assert judged.ratio_low[0] < 1.0 < judged.ratio_high[0]
    assert not judged.called[0]


def test_a_peak_before_a_visit_is_seen_in_the_counts_whatever_its_reason_says():
    record = steady()
    record.counts[0, 193:200] = 35.0
    assert BeforeAfter(record, 7).judged.called[0]


def test_a_visit_without_enough_before_it_or_whose_days_are_not_over_is_not_told():
    record = steady()
    record.visits[1, [10, 295]] = True
    found = BeforeAfter(record, 7)
    assert found.judged.told.tolist() == [True, False, False]
    assert found.pool(found.judged.row == 1) is None
    pooled = found.pool(found.judged.row == 0)
    assert (pooled.visits, pooled.machines) == (1, 1)


def test_too_little_to_learn_from_is_said():
    few = steady()
    with pytest.raises(CalcError, match="days without a visit to learn from"):
        learn(Record(few.counts[:, :60], few.cans[:, :60], few.line, few.visits[:, :60]), 7)
    with pytest.raises(CalcError, match="were counted in all this time"):
        learn(replace(few, counts=few.counts * 0.0), 7)


def test_the_published_fifteen_chances_make_four_claims():
    """Benjamini & Hochberg, J. R. Stat. Soc. B 57 (1995) 289, section 4: four of fifteen at 0.05; from memory."""
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
    shown, edge = claims([float("nan"), *p], 0.05)
    assert shown.sum() == 4
    assert not shown[0]
    assert edge == pytest.approx(4 * 0.05 / 15)


def test_the_fall_that_would_show_shows_in_eight_of_ten():
    """Counts drawn with that fall: the share that the interval's level finds."""
    mean, chance, doubt = (np.array([one]) for one in (140.0, 280.0, 100.0))
    fall = smallest_fall(mean, chance, doubt, 0.05)[0]
    low = 140.0 - 1.96 * np.sqrt(380.0)
    left = 1.0 - fall
    drawn = np.random.default_rng(2).normal(140.0 * left, np.sqrt(280.0 * left + 100.0 * left**2), 20_000)
    assert np.mean(drawn < low) == pytest.approx(0.8, abs=0.01)
    assert smallest_fall(np.array([2.0]), np.array([2.0]), np.array([0.0]), 0.05)[0] == 1.0


def test_the_days_between_are_those_of_the_record():
    record = record_of(NO_EFFECT[0].plant(1))
    learned = learn(record, 3)
    assert learned.counts[2, 100] == record.counts[2, 101:104].sum()
    assert learned.cans[2, 100] == record.cans[2, 101:104].sum()
    assert not learned.whole[0, -3]
    assert learned.whole[0, -4]


def hostile(rng):
    """A record as no plant should have it: no cans, one can, no counts, as many counts as cans, a visit every day."""
    shape = int(rng.choice([1, 2, 3, 6])), int(rng.choice([130, 400]))
    cans = rng.choice([0.0, 1.0, 1000.0, 4e5, 4e8], shape, p=[0.2, 0.05, 0.05, 0.6, 0.1])
    counts = np.minimum(rng.poisson(cans * 10.0 ** rng.uniform(-7, -1)), cans)
    counts[0] *= rng.random() < 0.7
    counts[:, : shape[1] // 2] *= rng.random() < 0.8
    counts = cans if rng.random() < 0.1 else counts
    visits = rng.random(shape) < rng.choice([0.0, 0.01, 0.05, 0.5, 1.0])
    return Record(counts, cans, rng.integers(0, 3, shape[0]), visits)


@pytest.mark.parametrize("seed", range(4))
def test_a_record_without_sense_is_judged_in_numbers_or_refused(seed):
    rng, refused = np.random.default_rng(seed), 0
    for _ in range(15):
        try:
            found = BeforeAfter(hostile(rng), int(rng.choice([3, 7, 14])))
        except CalcError:
            refused += 1
            continue
        judged = found.judged
        assert np.isfinite(judged.p[judged.told]).all()
        pooled = found.pool(np.ones(len(judged.row), dtype=bool))
        assert pooled is None or np.isfinite([pooled.ratio, pooled.low, pooled.high, pooled.p]).all()
    assert 0 < refused < 15
