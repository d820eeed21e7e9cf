import math

import numpy as np
import pytest

from linelog.calc.drift import (
    Drift,
    Due,
    DueBy,
    DueDay,
    Pairs,
    Start,
    chance_out,
    due_day,
    due_strokes,
    fit_drift,
    station_drift,
)
from linelog.calc.errors import CalcError

NOTHING = np.zeros((2, 2))
CENTRED = Start(0.0, 0.0)


def _walks(rng, stations, pairs, creep, cov, reading_u=0.0):
    """Changes (stations, pairs, 2) over strokes (stations, pairs), each read twice with that uncertainty."""
    strokes = rng.uniform(5.0, 30.0, (stations, pairs))
    walk = rng.multivariate_normal([0, 0], cov, (stations, pairs)) * np.sqrt(strokes)[..., None]
    reading = rng.normal(0, reading_u * math.sqrt(2), (stations, pairs, 2)) if reading_u else 0.0
    return np.asarray(creep) * strokes[..., None] + walk + reading, strokes


def test_a_steady_creep_is_found_exactly():
    found = fit_drift(Pairs.of([2, 4, 6], [-1, -2, -3], [10, 20, 30]))
    assert found.mean_um == pytest.approx([0.2, -0.1])
    assert found.cov_um2 == pytest.approx(NOTHING, abs=1e-12)
    assert (found.pairs, found.strokes_million, found.pooled) == (3, 60, False)


def test_creep_and_walk_by_hand():
    """Derived: changes 4, 0 and 2 um across over 1 million strokes each: creep 2, residuals 2, -2, 0, walk 8/2."""
    found = fit_drift(Pairs.of([4, 0, 2], [0, 0, 0], [1, 1, 1]))
    assert found.mean_um == pytest.approx([2, 0])
    assert found.cov_um2 == pytest.approx(np.diag([4, 0]))
    assert found.mean_cov_um2 == pytest.approx(np.diag([4 / 3, 0]))


def test_creep_walk_and_their_doubt_are_right_on_average():
    """Derived: 4,000 simulated stations of six pairs; the uncertainty of reading is taken off the walk."""
    rng = np.random.default_rng(1)
    creep, cov = np.array([0.3, -0.2]), np.array([[2.0, 0.7], [0.7, 1.0]])
    changes, strokes = _walks(rng, 4000, 6, creep, cov, reading_u=1.0)
    fits = [fit_drift(Pairs(c, s), reading_u_um=1.0) for c, s in zip(changes, strokes, strict=True)]
    means = np.array([one.mean_um for one in fits])
    assert means.mean(axis=0) == pytest.approx(creep, abs=0.02)
    assert np.mean([one.cov_um2 for one in fits], axis=0) == pytest.approx(cov, abs=0.06)
    assert np.mean([one.mean_cov_um2 for one in fits], axis=0) == pytest.approx(np.cov(means.T), rel=0.1, abs=0.002)


def test_chance_out_comes_true():
    """Derived: 4,000 stations of any creep, six pairs each; of those given a chance near p, about p go out.

    The smallest chances are too small, since six pairs hold the walk itself only loosely: see `chance_out`.
    """
    rng = np.random.default_rng(2)
    cov, creep = np.array([[6.0, 2.0], [2.0, 4.0]]), rng.normal(0, 1.0, (4000, 1, 2))
    changes, strokes = _walks(rng, 4000, 6, [0, 0], cov)
    changes = changes + creep * strokes[..., None]
    out = np.hypot(*(creep[:, 0] * 20 + rng.multivariate_normal([0, 0], cov * 20, 4000)).T) > 25.0
    pairs = [Pairs(c, s) for c, s in zip(changes, strokes, strict=True)]
    chances = np.array([chance_out(fit_drift(one), CENTRED, 20.0, 25.0)[0] for one in pairs])
    for low, high in ((0.1, 0.3), (0.3, 0.6), (0.6, 0.9), (0.9, 1.01)):
        given = (low <= chances) & (chances < high)
        assert given.sum() > 400
        assert out[given].mean() == pytest.approx(chances[given].mean(), abs=0.06)


def test_a_centred_walk_is_due_where_its_rayleigh_tail_reaches_the_risk():
    """Derived: without creep P(out) = exp(-limit^2/(2*variance*s)), so s = limit^2/(2*variance*ln(1/risk))."""
    walk = Drift(np.zeros(2), np.eye(2) * 4.0, NOTHING, 9, 100.0)
    due = due_strokes(walk, CENTRED, 25.0, risk=0.2, done_million=10.0, horizon_million=200.0)
    assert due.strokes_million == pytest.approx(25**2 / (2 * 4 * math.log(5)), rel=1e-7)
    assert due.chance_now == pytest.approx(math.exp(-(25**2) / (2 * 4 * 10)))


def test_a_steady_creep_is_due_where_it_meets_the_limit():
    creep = Drift(np.array([3.0, 4.0]), NOTHING, NOTHING, 9, 100.0)
    due = due_strokes(creep, Start(0.0, 0.0), 25.0, risk=0.2, horizon_million=20.0)
    assert due.strokes_million == pytest.approx(5.0, abs=0.01)
    assert due_strokes(creep, CENTRED, 25.0, risk=0.2, horizon_million=4.0) == Due(None, pytest.approx(0.0))


def test_a_creep_through_the_centre_is_due_on_the_far_side():
    creep = Drift(np.array([5.0, 0.0]), np.eye(2) * 0.01, NOTHING, 9, 100.0)
    due = due_strokes(creep, Start(-20.0, 0.0, 1.0), 25.0, risk=0.2, horizon_million=50.0)
    assert due.strokes_million == pytest.approx(9.0, abs=0.3)


def test_left_outside_its_limit_it_is_due_at_once():
    walk = Drift(np.zeros(2), np.eye(2), NOTHING, 9, 100.0)
    due = due_strokes(walk, Start(40.0, 0.0), 25.0, risk=0.2, horizon_million=50.0)
    assert due == Due(0.0, pytest.approx(1.0))


def test_doubt_about_the_creep_brings_the_date_nearer():
    sure = Drift(np.zeros(2), np.eye(2), NOTHING, 9, 100.0)
    unsure = Drift(np.zeros(2), np.eye(2), np.eye(2) / 10.0, 3, 10.0)
    one, other = (due_strokes(d, CENTRED, 25.0, risk=0.2, horizon_million=400.0) for d in (sure, unsure))
    assert other.strokes_million < 0.6 * one.strokes_million


def test_with_fewer_than_three_pairs_the_line_speaks_and_says_so():
    own = Pairs.of([3, 5], [0, 1], [10, 12])
    line = Pairs.of([3, 5, 1, -2], [0, 1, 4, 2], [10, 12, 9, 20])
    pooled = station_drift(own, line)
    assert (pooled.pooled, pooled.pairs) == (True, 4)
    assert pooled.mean_um == pytest.approx(fit_drift(line).mean_um)
    enough = Pairs.of([3, 5, 4], [0, 1, 1], [10, 12, 11])
    assert not station_drift(enough, line).pooled
    with pytest.raises(CalcError, match="the time limit alone"):
        station_drift(Pairs.of([], [], []), own)


def test_what_makes_a_machine_due():
    common = {"strokes_a_day_million": 0.5, "days_left": 40}
    assert due_day(strokes_left_million=10.0, triggered=True, **common) == DueDay(0, DueBy.TRIGGER)
    assert due_day(strokes_left_million=10.0, triggered=False, **common) == DueDay(20, DueBy.RISK)
    assert due_day(strokes_left_million=30.0, triggered=False, **common) == DueDay(40, DueBy.TIME)
    assert due_day(strokes_left_million=None, triggered=False, **common) == DueDay(40, DueBy.TIME)
    assert due_day(strokes_left_million=-3.0, triggered=False, **common) == DueDay(0, DueBy.RISK)
    idle = due_day(strokes_left_million=3.0, strokes_a_day_million=0.0, days_left=-5, triggered=False)
    assert idle == DueDay(0, DueBy.TIME)


def test_chances_for_ten_years_of_days_at_once():
    drift = fit_drift(Pairs.of([3, 5, 4], [0, 1, 2], [10, 12, 11]))
    chances = chance_out(drift, Start(2.0, 1.0, 1.0), np.arange(3650) * 0.4, 25.0)
    assert chances.shape == (3650,)
    assert (np.diff(chances) > -1e-12).all()
    assert chances[0] < 1e-6
    assert chances[-1] > 0.99


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: Pairs.of([1, 2, 3], [1, 2, 3], [10, 0, 10]), "strokes_million"),
        (lambda: Pairs.of([1, 2], [1, 2, 3], [10, 10, 10]), "strokes_million"),
        (lambda: fit_drift(Pairs.of([1, 2], [1, 2], [10, 10])), "pairs"),
        (lambda: fit_drift(Pairs.of([1, 2, 3], [1, 2, 3], [10, 10, 10]), reading_u_um=-1.0), "reading_u_um"),
        (lambda: chance_out(_walk(), CENTRED, -1.0, 25.0), "strokes_million"),
        (lambda: chance_out(_walk(), CENTRED, 1.0, 0.0), "limit_um"),
        (lambda: chance_out(_walk(), Start(float("nan"), 0.0), 1.0, 25.0), "start"),
        (lambda: due_strokes(_walk(), CENTRED, 25.0, risk=0.0, horizon_million=10.0), "risk"),
        (lambda: due_strokes(_walk(), CENTRED, 25.0, risk=0.2, horizon_million=0.0), "horizon_million"),
    ],
)
def test_bad_input_is_told_beside_its_field(call, field):
    with pytest.raises(CalcError) as told:
        call()
    assert told.value.field == field


def _walk():
    return Drift(np.zeros(2), np.eye(2), NOTHING, 9, 100.0)
