"""The made-up readings and counts do what linelog/demo/model.py says they do.

Derived: the geometry and the distributions are written down there; here they are held against the logbook's sums and
against sample moments. The moments of the negative binomial are textbook (variance = mean + mean**2 / size).
"""

import numpy as np
import pytest

from linelog.calc import face, sweep
from linelog.demo import dial, model, scenario
from linelog.plant.kinds import BODYMAKER

ANGLES = np.array([0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0])
PLAN = scenario.read()


def turn(readings):
    return sweep.Sweep(tuple(ANGLES), tuple(readings))


@pytest.mark.parametrize("outside", [False, True])
@pytest.mark.parametrize("from_domer", [False, True])
def test_the_logbook_finds_the_offset_that_the_readings_were_made_of(outside, from_domer):
    setup = dial.Setup(outside, from_domer, 3.0, 1.0)
    readings = dial.rim(np.array([31.0, -22.0]), 40_000.0, setup, ANGLES)
    found = sweep.reduce_sweep(
        sweep.SweepSetup(
            surface=sweep.Surface.OUTSIDE if outside else sweep.Surface.BORE,
            view=sweep.View.DOMER if from_domer else sweep.View.CRANK,
            sag_indicated_um=6.0,
        ),
        [turn(readings)],
    )
    assert (found.offset.x, found.offset.y) == pytest.approx((31.0, -22.0), abs=0.05)


@pytest.mark.parametrize("from_domer", [False, True])
def test_the_logbook_finds_the_slope_that_a_face_was_made_of(from_domer):
    readings = dial.face(np.array([0.11, -0.07]), 60.0, dial.Setup(False, from_domer, 0.0, 1.0), ANGLES)
    view = face.View.DOMER if from_domer else face.View.CRANK
    found = face.reduce_face(face.FaceSetup(view=view), 60.0, [turn(readings)])
    assert (found.slope.x, found.slope.y) == pytest.approx((0.11, -0.07), abs=1e-9)


def test_readings_are_whole_steps_about_the_first_position():
    rng = np.random.default_rng(3)
    exact = np.array([500.0, 510.0, 520.0, 510.0])
    many = np.array([dial.read(rng, PLAN.dial, exact, 2.54) for _ in range(400)])
    assert many.dtype.kind == "i"
    assert many.mean(axis=0) * 2.54 == pytest.approx([0.0, 10.0, 20.0, 10.0, 0.0], abs=0.4)
    assert many[:, 2].std() * 2.54 == pytest.approx(np.hypot(PLAN.dial.noise_um, 2.54 / 12**0.5), rel=0.15)


def test_counts_are_over_dispersed_by_the_stated_amount():
    counts = model.scattered(np.random.default_rng(5), np.full(200_000, 4.0), 0.3)
    assert counts.mean() == pytest.approx(4.0, rel=0.01)
    assert counts.var() == pytest.approx(4.0 + 0.3 * 16.0, rel=0.03)


def test_tear_offs_grow_log_linearly_with_severity_and_other_causes_as_stated():
    begun = np.full((40_000, 1), 130_000)
    half = np.where(np.arange(40_000) < 20_000, 0.0, 1.5)
    feeding = np.zeros(40_000)
    made = model.shift_numbers(np.random.default_rng(7), begun, half, feeding, PLAN.counts, PLAN.causes, 1.0)
    straight, off = made.tear_offs[:20_000].mean(), made.tear_offs[20_000:].mean()
    assert straight / 0.13 == pytest.approx(PLAN.counts.tear_offs_per_million, rel=0.02)
    assert off / straight == pytest.approx(np.exp(1.5 * PLAN.counts.tear_offs_per_severity), rel=0.03)
    by_code = dict(zip([cause.code for cause in PLAN.causes], made.by_cause, strict=True))
    assert by_code["SETUP"][:20_000].mean() == pytest.approx(by_code["SETUP"][20_000:].mean(), rel=0.02)
    assert (by_code["TEAR"] == made.tear_offs).all()
    assert (sum(by_code.values()) <= made.spoiled).all()
    assert (made.good + made.spoiled == begun).all()


def places():
    names = tuple(template.name for template in BODYMAKER)
    limits = [(t.limit_um, t.limit_um, *(t.more.get("tilt_limit_mm_per_m", 0.0),) * 2) for t in BODYMAKER]
    seats = [(number, 0.0, template.limit_um) for number, template in enumerate(BODYMAKER)]
    return model.Places(names, np.array(limits), np.array(seats), np.ones(len(names)))


def test_drift_is_a_random_walk_about_the_machines_own_mean():
    where, rng = places(), np.random.default_rng(11)
    mean = model.mean_drift(rng, where, PLAN.drift, 1.0, scenario.Settles("Domer", 0.1, 180.0))
    steps = np.array([model.step(rng, where, PLAN.drift, 1.0, mean, 4.0) for _ in range(20_000)])
    assert steps.mean(axis=0) == pytest.approx(4.0 * mean, abs=0.2)
    walk = PLAN.drift.walk_per_root_million * where.limits * [1.0, 1.0, PLAN.drift.tilt_share, PLAN.drift.tilt_share]
    assert steps.std(axis=0) == pytest.approx(2.0 * walk, rel=0.05)
    domer = where.names.index("Domer")
    assert mean[domer, :2] == pytest.approx([0.0, -0.1 * where.limits[domer, 0]], abs=1e-9)


def test_severity_is_the_worst_share_of_a_limit_among_the_stations_named():
    where = places()
    state = np.zeros_like(where.limits)
    state[where.names.index("Stripper"), 0] = 900.0
    state[where.names.index("Tool pack"), :2] = (12.0, 16.0)
    assert model.severity(state, where, ("Tool pack", "Domer")) == pytest.approx(1.0)
    state[where.names.index("Domer"), 2] = 0.18
    assert model.severity(state, where, ("Tool pack", "Domer")) == pytest.approx(1.5)


def test_running_is_static_less_droop():
    found = model.running(np.random.default_rng(1), np.array([5.0, 8.0]), 30.0, 0.0)
    assert found == pytest.approx([5.0, -22.0])
