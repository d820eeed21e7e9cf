"""The corrected effect on invented plants of known truth, a few of those of the bench (misaligned_plants.py).

What regression calibration must give where the answer is known on paper is checked without a plant: the share of a
noisy value that is true is variance of truth over variance of the value (Carroll et al., Measurement Error in
Nonlinear Models, section 3.2.1), and the mean size of a normal vector is Rice's (from memory; scipy.stats.rice).
"""

from dataclasses import replace

import numpy as np
import pytest
import scipy
from statsmodels.genmod.families import Poisson
from statsmodels.genmod.generalized_linear_model import GLM

from linelog.calc.before_after import claims
from linelog.calc.calibrated import IMPUTED, Severities, by_visit, effects, with_visit
from linelog.calc.clustered import Counted, fit_clustered
from linelog.calc.errors import CalcError
from linelog.calc.offset_path import Expected, Looks, Spans, Wander, expected_severities, filtered, fit_kinds
from linelog.calc.sets import against_others, power
from tests.bench.bench_effect import run
from tests.bench.misaligned_plants import WORLDS


def spans(rng, n=1200, error=0.2, left=0.2, walk=0.05):
    """Stations moved at every visit, whose true offsets are normal."""
    true = rng.normal(0.0, left, (n, 2))
    million = rng.uniform(5.0, 20.0, n)
    then = true + rng.normal(size=(n, 2)) * walk * np.sqrt(million)[:, None]
    number = np.arange(n)
    measured = (one + rng.normal(0.0, error, (n, 2)) for one in (true, then))
    return Spans(*measured, million, number // 60, np.zeros(n, int), number // 6, np.zeros(n, bool), np.ones(n, bool))


def test_the_share_of_a_value_that_is_true_and_the_error_are_found_from_visits_alone():
    found = fit_kinds(spans(np.random.default_rng(5)))[0]
    kept = 1.0 / (1.0 + np.exp(-found.values[1]))
    assert kept == pytest.approx(0.5, abs=0.06)  # 0.2^2 / (0.2^2 + 0.2^2)
    assert found.error == pytest.approx(0.2, rel=0.2)
    assert abs(found.values[0] - 2 * np.log(0.2)) < 2.5 * np.sqrt(found.cov[0, 0])


def test_the_expected_size_of_an_offset_is_rices_mean():
    """At once after a move of which the value says 0.6: the place is 0.5 * 0.6 with the variance 0.5 * 0.04."""
    one = Spans(
        *np.array([[[0.6, 0.0]], [[0.3, 0.0]]]),
        np.array([1e-9]),
        *np.zeros((3, 1), int),
        *np.array([[False], [True]]),
    )
    values = np.array([2 * np.log(0.2), 0.0, -30.0, -30.0, -1.0, 0.0])
    looks = Looks(np.zeros(1, int), np.zeros(1, int), np.zeros(1))
    got = expected_severities(one, {0: Wander(values, np.zeros((6, 6)), 1)}, looks, [[0]], 1)[0]
    # the next value, 0.3, is where it was expected and narrows the variance v to v e / (v + e)
    sd = np.sqrt(0.02 * 0.04 / 0.06)
    assert got.mean[0] == pytest.approx(scipy.stats.rice.mean(0.3 / sd, scale=sd), rel=0.03)
    assert np.sqrt(got.variance[0]) == pytest.approx(scipy.stats.rice.std(0.3 / sd, scale=sd), rel=0.15)


def test_an_untouched_station_is_followed_as_by_a_filter_of_statsmodels():
    """A local level with known variances: filtered means of the library's own Kalman filter."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    rng = np.random.default_rng(2)
    y = np.cumsum(rng.normal(0.0, 0.1, 9)) + rng.normal(0.0, 0.2, 9)
    follows = np.arange(8) > 0
    left, found = np.column_stack([y[:-1], np.zeros(8)]), np.column_stack([y[1:], np.zeros(8)])
    given = Spans(left, found, np.ones(8), *np.zeros((3, 8), int), follows, ~follows)
    object.__setattr__(given, "creep", np.zeros((8, 2)))
    paths = filtered(given, np.array([2 * np.log(0.2), 30.0, 2 * np.log(0.1), -40.0, 0.0, 0.0]))
    model = UnobservedComponents(y, "llevel")
    model.ssm.initialize_known(np.array([y[0]]), np.array([[1e12]]))
    theirs = model.filter([0.04, 0.01]).filtered_state[0]
    assert paths.last[0, :, 0] == pytest.approx(theirs[1:], abs=3e-4)


def counted(rng, machines=10, each=30):
    n = machines * each
    machine, severity = np.repeat(np.arange(machines), each), rng.uniform(0.0, 1.5, n)
    cans = rng.integers(2_000_000, 8_000_000, n).astype(float)
    counts = rng.poisson(cans * 40e-6 * np.exp(0.3 * severity + rng.normal(0.0, 0.3, machines)[machine])).astype(
        float
    )
    return Counted(counts, cans, machine, np.full(n, -1), machine, np.zeros((n, 0))), severity


def test_effect_and_clusters_agree_with_the_generalised_linear_model_of_statsmodels():
    """The cluster jackknife is a little wider than the library's sandwich with its usual correction."""
    rows, severity = counted(np.random.default_rng(4))
    found = fit_clustered(rows, severity[:, None])
    x = np.column_stack([severity, rows.machine[:, None] == np.arange(10)])
    theirs = GLM(rows.counts, x, Poisson(), exposure=rows.exposure).fit(
        cov_type="cluster", cov_kwds={"groups": rows.machine}
    )
    assert found.effects[0] == pytest.approx(theirs.params[0], abs=1e-6)
    assert 0.95 < np.sqrt(found.cov[0, 0]) / theirs.bse[0] < 1.4
    assert found.dof == 9


def test_one_step_to_other_severities_comes_near_to_a_new_fit():
    rows, severity = counted(np.random.default_rng(6))
    other = severity + np.random.default_rng(7).normal(0.0, 0.1, len(severity))
    stepped = fit_clustered(rows, severity[:, None]).moved(other[:, None])[0]
    assert stepped == pytest.approx(fit_clustered(rows, other[:, None]).effects[0], abs=0.01)


def test_what_never_changes_within_a_machine_is_a_sentence():
    rows, _ = counted(np.random.default_rng(8))
    with pytest.raises(CalcError, match="never changes within a machine"):
        fit_clustered(rows, rows.machine[:, None].astype(float))


def test_a_set_half_as_bad_again_stands_out_from_the_others_and_sets_alike_do_not():
    rng = np.random.default_rng(11)
    rows, severity = counted(rng, machines=12, each=60)
    labels = rng.integers(1, 21, len(rows.counts))
    alike = against_others(
        rows.counts, rows.exposure, fit_clustered(rows, severity[:, None]), severity[:, None], labels
    )
    assert len(alike) == 20
    assert min(one.p for one in alike) > 0.05 / 20
    worse = replace(rows, counts=np.where(labels == 7, rng.poisson(1.5 * rows.counts), rows.counts).astype(float))
    found = against_others(
        worse.counts, rows.exposure, fit_clustered(worse, severity[:, None]), severity[:, None], labels
    )
    seventh = next(one for one in found if one.label == 7)
    assert seventh.p == min(one.p for one in found) < 1e-4
    assert seventh.ratio == pytest.approx(1.5, rel=0.07)


def against_each_other(rows, severity, labels):
    fit = fit_clustered(rows, severity[:, None])
    return against_others(rows.counts, rows.exposure, fit, severity[:, None], labels)


def test_as_many_bad_sets_are_found_as_is_said():
    """Sets that differ by 10 %, one of them made half as bad again; what is said rests on the plant before that."""
    said, found = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        rows, severity = counted(rng, machines=12, each=24)
        labels, own, bad = rng.integers(1, 21, len(rows.counts)), rng.normal(0.0, 0.1, 21), 1 + seed % 20
        counts = rng.poisson(0.05 * rows.counts * np.exp(own[labels]))
        worse = counts + np.where(labels == bad, rng.poisson(0.5 * counts), 0)
        before, after = (
            against_each_other(replace(rows, counts=some.astype(float)), severity, labels) for some in (counts, worse)
        )
        said.append(power(before, 0.05))
        shown = claims([one.p for one in after], 0.05)[0].tolist()
        found.append(any(one.label == bad for one, is_shown in zip(after, shown, strict=True) if is_shown))
    assert 0.2 < np.mean(said) < 0.6
    assert np.mean(found) > np.mean(said) - 2.0 * np.sqrt(0.25 / 40)


def test_a_bad_set_is_not_laid_in_part_to_the_machines_that_it_was_on():
    """A third of three machines' time each: 1.5 is what was put in, less what it is pulled to the others."""
    found = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        rows, severity = counted(rng, machines=12, each=24)
        labels = 1 + (rows.machine + 5 * (np.arange(24 * 12) % 24 // 8)) % 16
        counts = np.where(labels == 7, rng.poisson(1.5 * rows.counts), rows.counts).astype(float)
        sets = against_each_other(replace(rows, counts=counts), severity, labels)
        found.append(next(one for one in sets if one.label == 7))
    assert np.mean([one.ratio for one in found]) == pytest.approx(1.47, abs=0.03)
    assert max(one.p for one in found) < 1e-4


def test_a_set_that_differs_by_little_does_not_stand_out_however_much_it_made():
    """Sets quite alike and one at 1.06, told to 1 %: far from chance, and nobody's concern."""
    rng = np.random.default_rng(5)
    rows, severity = counted(rng, machines=12, each=60)
    labels = rng.integers(1, 21, len(rows.counts))
    counts = rng.poisson(3.0 * rows.counts * np.where(labels == 7, 1.06, 1.0)).astype(float)
    found = against_each_other(replace(rows, counts=counts), severity, labels)
    assert not claims([one.p for one in found], 0.05)[0].any()


def test_the_corrected_figure_holds_the_truth_where_the_plain_one_does_not():
    """Two plants of the bench's, seeded; the bench itself prints all worlds."""
    name = "settling, poor dial, tool pack and domer: 2.0"
    found = run(next(one for one in WORLDS if one.name == name), 2, whole_page=False)
    assert all(found.held)
    assert not any(found.plain_held)
    assert abs(np.mean(found.log) - np.log(2.0)) < 0.5 * abs(np.mean(found.plain) - np.log(2.0))


def test_where_visits_follow_high_rates_no_figure_is_given_and_the_plain_one_claims_what_is_not():
    """One plant of the bench's without any effect, whose visits are called for by a rise."""
    found = run(next(one for one in WORLDS if one.name == "settling, called, wear: 1.0"), 1, whole_page=False)
    assert found.none == 1
    assert found.plain_pages == [True]


def helped_by_visits(rng, machines=12, visits=12, each=8):
    """Offsets that settle after every visit and cause nothing, and visits that bring the rate down to 0.7 for a time.

    Invented; counts are those expected, times what nothing explains.
    """
    n = machines * visits * each
    machine, since = np.repeat(np.arange(machines), visits * each), np.tile(np.linspace(1.0, 36.0, each), n // each)
    severity = np.repeat(rng.gamma(4.0, 0.12, n // each), each) + 0.3 * np.log1p(since) + rng.normal(0.0, 0.1, n)
    cans = np.full(n, 2_000_000.0)
    counts = np.round(cans * 40e-6 * np.where(since < 10.0, 0.7, 1.0) * np.exp(rng.normal(0.0, 0.1, n)))
    return Counted(counts, cans, machine, np.full(n, -1), machine, by_visit(since)), severity


def test_what_a_visit_brings_by_itself_is_not_laid_to_the_offsets_that_it_put_right():
    """On paper: no effect of the offset, so a coefficient of nought; the two grow together, so that one passes for
    the other where the time since the visit is left out, and a straight line in it leaves a part."""
    bent, straight = [], []
    for seed in range(8):
        rows, severity = helped_by_visits(np.random.default_rng(seed))
        bent.append(fit_clustered(rows, severity[:, None]).effects[0])
        line = replace(rows, covariates=rows.covariates[:, :1])
        straight.append(fit_clustered(line, severity[:, None]).effects[0])
        known = (Expected(severity, np.zeros(len(severity))),)
        found = effects(rows, Severities(known, (known,) * IMPUTED, {}))
        both = with_visit(rows, found)
        assert both.low > 1.1
        assert both.p < 1e-3
    assert abs(np.mean(bent)) < 0.03
    assert np.mean(straight) > 0.08
