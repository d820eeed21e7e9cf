"""How stations wander: against closed forms, scipy's distributions, hand-made sequences and plants of known truth."""

from dataclasses import replace

import numpy as np
import pytest
import scipy

from linelog.calc.errors import CalcError
from linelog.calc.wander import follow as following
from linelog.calc.wander.bands import bands
from linelog.calc.wander.behaviour import Behaviours, behaviours
from linelog.calc.wander.follow import Moved, follow
from linelog.calc.wander.knowledge import FEWEST, GRID, Knowledge, ahead, study, surest
from linelog.calc.wander.log import Track, Visited, log_of
from linelog.calc.wander.odds import Drawn, chance
from linelog.calc.wander.reach import chance_at, first_reached, machine_reaches
from linelog.calc.wander.said import any_out, recalibrate, together
from tests.bench import drifting_plants as made
from tests.bench.bench_risk import run, seen
from tests.calc.normal_outside import chance_outside

NOTHING = (0.0, 0.0, 0.0)


def one_behaviour(**given):
    """A single behaviour that does nothing but what is given."""
    parts = {"creep": [[0.0, 0.0]], "walk": [0.0], "rate": [0.0], "by_jolt": [0.0], "jump": [0.04], "back": [0.0],
             "within": [3.0]}  # fmt: skip
    return Behaviours(**{name: np.array(given.get(name, value)) for name, value in parts.items()})


def drawn(kinds, mean=(0.0, 0.0), variance=0.0, by=(0.0, 0.0)):
    wrapped = Behaviours(*(getattr(kinds, name)[None] for name in Behaviours.__slots__))
    last = Moved(np.array([by]), np.zeros(1))
    return Drawn(np.array([[mean]]), np.array([[variance]]), wrapped, np.ones((1, 1)), last)


def said(one, strokes, jolts=0.0, u=None):
    return float(chance(one, np.array([strokes]), np.array([jolts]), None if u is None else np.array([u]))[0])


class TestChance:
    def test_a_walk_from_the_centre_is_rayleighs(self):
        """Closed form: P(|N(0, v I)| > 1) = exp(-1/(2 v))."""
        walk = drawn(one_behaviour(walk=[0.01]))
        assert said(walk, 25.0) == pytest.approx(np.exp(-1.0 / (2.0 * 0.25)), rel=1e-9)

    def test_off_the_centre_it_is_the_integral_of_the_normal(self):
        """Against an integral worked out apart, over a grid of means and spreads."""
        kinds = one_behaviour(creep=[[0.02, -0.01]], walk=[0.004])
        for mean in ((0.0, 0.0), (0.5, 0.3), (-1.1, 0.4)):
            ends = np.array(mean) + np.array([0.02, -0.01]) * 20.0
            wanted = chance_outside(ends, np.eye(2) * (0.01 + 0.08), 1.0)[0]
            assert said(drawn(kinds, mean, 0.01), 20.0) == pytest.approx(wanted, abs=1e-9)

    def test_jumps_come_by_poisson_with_strokes_and_jolts(self):
        """By hand: 0.5 expected, so none 0.6065, one 0.3033, several 0.0902 (three variances of one)."""
        one = drawn(one_behaviour(rate=[0.02], by_jolt=[0.1], jump=[0.25]))
        parts = 0.3033 * np.exp(-1.0 / 0.5) + 0.0902 * np.exp(-1.0 / 1.5)
        assert said(one, 20.0, 1.0) == pytest.approx(parts, abs=2e-4)

    def test_a_move_settles_back_within_its_strokes(self):
        """By hand: 0.5 of a move of 2.4 comes back whole after many strokes: -1.2, beyond the limit; at once none."""
        one = drawn(one_behaviour(back=[0.5], within=[3.0]), by=(2.4, 0.0))
        assert said(one, 0.0) < 1e-9
        assert said(one, 60.0) > 1.0 - 1e-9

    def test_the_error_of_a_reading_comes_on_top_where_it_is_read(self):
        """By hand: 98 % of readings with variance u^2, 2 % with nine times as much."""
        one = drawn(one_behaviour())
        wanted = 0.98 * np.exp(-1.0 / (2 * 0.09)) + 0.02 * np.exp(-1.0 / (2 * 0.81))
        assert said(one, 0.0, u=0.3) == pytest.approx(wanted, rel=1e-6)


def visit(when, found, left=None, strokes=20.0, moved=False, jolts=0, u=2.0):
    return Visited(when, strokes, jolts, found, left, moved, u)


class TestFollow:
    @pytest.fixture
    def sound(self, monkeypatch):
        """No wild readings: then the filter is Kalman's own, and its likelihood that of a joint normal."""
        monkeypatch.setattr(following, "READINGS", ((1.0, 1.0),))

    def test_readings_of_a_walk_have_the_likelihood_of_their_joint_normal(self, sound):
        """Against scipy's multivariate normal: start 1, walk 0.002 a million, error 0.1; left as found."""
        readings = np.array([[0.2, -0.1], [0.35, 0.0], [0.1, 0.2], [0.5, 0.1]])
        track = Track(1, "domer", 20.0, [visit(n, tuple(20.0 * row)) for n, row in enumerate(readings)])
        found = follow(log_of([track], ["domer"]), one_behaviour(walk=[0.002]), 1.0)
        at = np.array([0.0, 0.04, 0.08, 0.12])
        cov = 1.0 + np.minimum.outer(at, at) + 0.01 * np.eye(4)
        wanted = sum(
            scipy.stats.multivariate_normal(np.zeros(4), cov).logpdf(column)
            - scipy.stats.norm(0.0, np.sqrt(1.01)).logpdf(column[0])
            for column in readings.T
        )
        assert found.likely[0, -1, 0] == pytest.approx(wanted + 3.0 * np.log(2.0 * np.pi), abs=1e-9)

    def test_where_it_stands_is_the_mean_given_all_readings(self, sound):
        readings = np.array([[0.2, -0.1], [0.35, 0.0], [0.1, 0.2]])
        track = Track(1, "domer", 20.0, [visit(n, tuple(20.0 * row)) for n, row in enumerate(readings)])
        state = follow(log_of([track], ["domer"]), one_behaviour(walk=[0.002]), 1.0).states[-1]
        at = np.array([0.0, 0.04, 0.08])
        hidden = 1.0 + np.minimum.outer(at, at)
        gain = hidden[-1] @ np.linalg.inv(hidden + 0.01 * np.eye(3))
        assert state.mean[0, 0] == pytest.approx(gain @ readings, abs=1e-9)
        assert state.variance[0, 0] == pytest.approx(hidden[-1, -1] - gain @ hidden[-1], abs=1e-9)

    def test_a_jump_is_taken_for_one_and_not_for_an_error(self):
        """Ten readings at rest, then one far off: a behaviour that jumps stands there, one that walks near."""
        rest = [visit(n, (0.0, 0.0)) for n in range(10)]
        log = log_of([Track(1, "domer", 20.0, [*rest, visit(10, (16.0, 0.0))])], ["domer"])
        jumps = follow(log, one_behaviour(rate=[0.01], jump=[0.5], walk=[1e-5]), 1.0).states[-1]
        still = follow(log, one_behaviour(walk=[1e-5]), 1.0).states[-1]
        assert jumps.mean[0, 0, 0] > 0.7
        assert still.mean[0, 0, 0] < 0.1

    def test_a_place_that_was_moved_starts_where_it_was_left(self):
        track = Track(1, "domer", 20.0, [visit(0, (30.0, 0.0)), visit(1, (32.0, 0.0), (1.0, 0.0), moved=True)])
        found = follow(log_of([track], ["domer"]), behaviours(), 1.0)
        assert np.abs(found.states[-1].mean[0, :, 0] * 20.0 - 1.0).max() < 1.0
        assert found.moves[-1].by[0] == pytest.approx([-31.0 / 20.0, 0.0])


class TestSaid:
    def test_chances_that_are_too_sure_are_drawn_in(self):
        """2,000 said twice as far from even as they are true: the slope found is a half."""
        rng = np.random.default_rng(3)
        true = rng.normal(0.0, 1.5, 2000)
        found = recalibrate(scipy.special.expit(2.0 * true), rng.random(2000) < scipy.special.expit(true))
        assert found.slope == pytest.approx(0.5, abs=0.06)
        assert found.shift == pytest.approx(0.0, abs=0.12)

    def test_a_few_change_little(self):
        found = recalibrate(np.full(3, 0.9), np.zeros(3, dtype=bool))
        assert 0.6 < found.slope < 0.9
        assert found.of(np.array([0.5]))[0] == pytest.approx(0.5, abs=0.1)

    def test_places_on_their_own_and_places_that_go_as_one(self):
        """Derived: without a tie 1 - (1 - p)^8; with a tight one the machine is hardly likelier out than a place."""
        eight = np.full(8, 0.2)
        assert any_out(eight, 0.0) == pytest.approx(1.0 - 0.8**8)
        assert any_out(eight, 0.99) == pytest.approx(0.2, abs=0.06)
        draws = np.random.default_rng(4)
        shared, own = draws.normal(size=(200_000, 1)), draws.normal(size=(200_000, 8))
        level = scipy.stats.norm.ppf(0.2)
        true = (np.sqrt(0.4) * shared + np.sqrt(0.6) * own < level).any(axis=1).mean()
        assert any_out(eight, 0.4) == pytest.approx(true, abs=0.005)

    @pytest.mark.parametrize("true", [0.0, 0.4])
    def test_how_much_they_go_together_is_found(self, true):
        rng = np.random.default_rng(5)
        chance = rng.uniform(0.05, 0.5, (600, 6))
        level = np.sqrt(true) * rng.normal(size=(600, 1)) + np.sqrt(1.0 - true) * rng.normal(size=(600, 6))
        out = level < scipy.stats.norm.ppf(chance)
        found = together(chance.ravel(), out.ravel(), np.repeat(np.arange(600), 6))
        assert found == pytest.approx(true, abs=0.06)


class TestBands:
    def test_counts_and_the_exact_interval(self):
        """27 of 120 on their own: Clopper and Pearson by scipy.stats.binomtest."""
        out = np.arange(120) < 27
        machine = np.random.default_rng(6).permutation(120)  # each on its own: never wider
        (band,) = bands(np.full(120, 0.25), out, machine)
        exact = scipy.stats.binomtest(27, 120).proportion_ci(method="exact")
        assert (band.least, band.most, band.number, band.out, band.expected) == (0.2, 0.3, 120, 27, 30.0)
        assert band.low == pytest.approx(exact.low, abs=0.002)
        assert band.high == pytest.approx(exact.high, abs=0.002)

    def test_machines_whose_stations_all_go_together_are_fewer_tellers(self):
        out = np.repeat([True, False, False, False], 30)
        (band,) = bands(np.full(120, 0.25), out, np.repeat(np.arange(4), 30))
        assert band.high - band.low > 0.7

    def test_none_out_and_all_out_have_their_ends(self):
        low, high = bands(np.repeat([0.01, 0.9], 30), np.repeat([False, True], 30), np.arange(60))
        assert (low.low, high.high) == (0.0, 1.0)
        assert low.high == pytest.approx(1.0 - 0.025 ** (1 / 30))


class TestReach:
    def test_between_two_strokes_the_chance_runs_straight(self):
        assert first_reached(np.array([0.0, 10.0, 20.0]), np.array([0.1, 0.3, 0.2]), 0.2) == pytest.approx(5.0)
        assert first_reached(np.array([0.0, 10.0]), np.array([0.4, 0.1]), 0.2) == 0.0
        assert first_reached(np.array([0.0, 10.0]), np.array([0.1, 0.15]), 0.2) is None

    def test_a_machine_reaches_its_risk_before_any_of_its_places(self):
        """Derived: two places alike, straight from 0 to 0.4 over 20 million: 1 - (1 - p)^2 = 0.5 at p = 0.293."""
        curve = np.interp(GRID, [0.0, 20.0], [0.0, 0.4])
        until, first = machine_reaches([curve, curve], [0.0, 4.0], 0.0, 0.5)
        p, q = chance_at(curve, np.array([until, until + 4.0]))
        assert 1.0 - (1.0 - p) * (1.0 - q) == pytest.approx(0.5, abs=0.005)
        assert first == 1
        assert machine_reaches([curve], [15.0], 0.0, 0.2) == (pytest.approx(-5.0, abs=0.1), 0)
        assert machine_reaches([curve], [0.0], 0.0, 0.5) is None
        assert machine_reaches([], [], 0.0, 0.5) is None


class TestKnowledge:
    def test_what_is_kept_says_the_same_again(self):
        plant = made.WORLDS[3].plant(1)
        tracks = [seen(one) for one in plant.tracks]
        known, _ = study(tracks)
        again = Knowledge.of(known.plain())
        say = [ahead(one, tracks[:6], [0] * 6, [NOTHING] * 6) for one in (known, again)]
        assert np.array([one.chance for one in say[0]]) == pytest.approx(
            np.array([one.chance for one in say[1]]), abs=0.02
        )

    def test_nothing_is_known_of_nothing(self):
        known, held = study([])
        assert (known.is_enough, known.again, len(held.chance)) == (False, 0, 0)
        assert ahead(known, [], [], []) == []

    def test_a_kind_that_was_never_seen_stands_between(self):
        tracks = [Track(1, "domer", 20.0, [visit(n, (n % 3, 1.0)) for n in range(FEWEST + 1)])]
        known, _ = study(tracks)
        new = Track(2, "stripper", 20.0, [visit(0, (0.0, 0.0))])
        (one,) = ahead(known, [new], [0], [NOTHING])
        assert known.is_enough
        assert 0.0 < one.chance[0] < one.chance[-1] < 1.0

    @pytest.mark.parametrize(("limit", "u"), [(0.0, 1.0), (float("nan"), 1.0), (20.0, float("inf"))])
    def test_what_cannot_be_is_told(self, limit, u):
        with pytest.raises(CalcError):
            log_of([Track(1, "domer", limit, [visit(0, (0.0, 0.0), u=u)])], ["domer"])


@pytest.mark.parametrize(("number", "plain_is_off"), [(1, 0.0), (4, -15.0)])
def test_on_plants_of_known_truth_what_is_told_comes_true(number, plain_is_off):
    """A part of `bench_risk`, two worlds: the figures that are told of so small plants, and what is only "over 50 %".

    Some hundred places in a band, on eight plants, tell a share to about 9 points.
    """
    found = run(replace(made.WORLDS[number], machines=8, years=1.6), 8, plain=4, seed=77)
    *told, over = bands_of(found.places)
    for many, off, _ in told:
        assert many > 80
        assert abs(off) < 9.0
    assert over[2] > surest(0) - 0.09
    assert bands_of(found.plain)[-1][1] < plain_is_off


def bands_of(tally):
    """Said below 10, 30 and 50 % and beyond: how many, how many points more were true than said, the share true."""
    said, true = np.concatenate(tally.said), np.concatenate(tally.true)
    band = np.digitize(said, [0.1, 0.3, surest(0)])
    rows = [(said[band == one], true[band == one]) for one in range(4)]
    return [(len(s), 100.0 * float(t.mean() - s.mean()), float(t.mean())) for s, t in rows]
