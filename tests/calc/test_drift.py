import math

import numpy as np
import pytest

from linelog.calc.drift import (
    DueBy,
    DueDay,
    Pairs,
    due_day,
    fit_drift,
)
from linelog.calc.errors import CalcError

NOTHING = np.zeros((2, 2))


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
    assert (found.pairs, found.strokes_million) == (3, 60)


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


def test_what_makes_a_machine_due():
    common = {"strokes_a_day_million": 0.5, "days_left": 40}
    assert due_day(strokes_left_million=10.0, triggered=True, **common) == DueDay(0, DueBy.TRIGGER)
    assert due_day(strokes_left_million=10.0, triggered=False, **common) == DueDay(20, DueBy.RISK)
    assert due_day(strokes_left_million=30.0, triggered=False, **common) == DueDay(40, DueBy.TIME)
    assert due_day(strokes_left_million=None, triggered=False, **common) == DueDay(40, DueBy.TIME)
    assert due_day(strokes_left_million=-3.0, triggered=False, **common) == DueDay(0, DueBy.RISK)
    idle = due_day(strokes_left_million=3.0, strokes_a_day_million=0.0, days_left=-5, triggered=False)
    assert idle == DueDay(0, DueBy.TIME)


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: Pairs.of([1, 2, 3], [1, 2, 3], [10, 0, 10]), "strokes_million"),
        (lambda: Pairs.of([1, 2], [1, 2, 3], [10, 10, 10]), "strokes_million"),
        (lambda: fit_drift(Pairs.of([1, 2], [1, 2], [10, 10])), "pairs"),
        (lambda: fit_drift(Pairs.of([1, 2, 3], [1, 2, 3], [10, 10, 10]), reading_u_um=-1.0), "reading_u_um"),
    ],
)
def test_bad_input_is_told_beside_its_field(call, field):
    with pytest.raises(CalcError) as told:
        call()
    assert told.value.field == field
