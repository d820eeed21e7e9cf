import itertools

import numpy as np
import pytest
from scipy import stats

from linelog.calc.errors import CalcError
from linelog.calc.repeat import AsFound, Pattern, Together, follows, repeat_problem, together


def _found(angle_deg, size=40.0, out=True, strokes=None):
    angle = np.radians(angle_deg)
    return AsFound(size * np.sin(angle), size * np.cos(angle), out, strokes)


IN = AsFound(1.0, -2.0, False)


def test_the_rule_counts_the_last_visits_alone():
    old = [_found(90)] * 6
    assert not repeat_problem([*old, IN, IN, _found(90), IN, _found(90)]).repeats
    found = repeat_problem([*old, IN, _found(90), _found(80), IN, _found(100)])
    assert (found.repeats, found.out, found.visits) == (True, 3, 5)
    assert repeat_problem([_found(90), _found(85), _found(95)]).repeats
    assert not repeat_problem([_found(90), _found(85)]).repeats
    assert repeat_problem([_found(90), IN], out_of=1, last=2).repeats


def test_the_same_way_is_told_from_any_way():
    same = repeat_problem([_found(a) for a in (170, 185, 190, 178, 182)])
    assert same.pattern is Pattern.SAME_WAY
    assert same.directions.mean_deg == pytest.approx(181, abs=0.1)
    scattered = repeat_problem([_found(a) for a in (10, 95, 170, 250, 300)])
    assert scattered.pattern is Pattern.SCATTERED
    assert repeat_problem([_found(10), _found(10)]).pattern is Pattern.NOT_CLEAR
    assert repeat_problem([IN, IN, IN]).pattern is Pattern.NOT_CLEAR
    assert repeat_problem([_found(a) for a in (0, 50, 100, 140)]).pattern is Pattern.NOT_CLEAR
    assert len({pattern.usually for pattern in Pattern}) == 3


def test_chance_directions_are_seldom_taken_for_a_pattern():
    """Derived: five directions by chance agree in about 5 of 100 stations, by the test's own level."""
    rng = np.random.default_rng(0)
    stations = [repeat_problem([_found(a) for a in rng.uniform(0, 360, 5)]).pattern for _ in range(1000)]
    assert stations.count(Pattern.SAME_WAY) / 1000 == pytest.approx(0.05, abs=0.02)
    assert stations.count(Pattern.SCATTERED) / 1000 == pytest.approx(0.70, abs=0.05)


def test_how_soon_it_comes_back():
    found = repeat_problem([_found(90, strokes=s) for s in (14.0, None, 10.0, 30.0)])
    assert found.comes_back_million == 14.0
    assert repeat_problem([_found(90), IN]).comes_back_million is None
    assert repeat_problem([]) == repeat_problem([], out_of=1)


def test_stations_that_go_off_as_one():
    """Derived from the frame: the offset is component less ram, so a ram that drops makes every station read up."""
    drop = np.array([12.0, 20.0, 25.0, 31.0, 44.0])
    aside = np.array([2.0, -3.0, 1.0, 0.0, 4.0])
    assert together(aside, drop) is Together.UP
    assert together(aside, -drop) is Together.DOWN
    assert together(drop, aside) is Together.SIDEWAYS
    assert together([10, -12, 3, 4], [1, 9, -8, 2]) is Together.APART
    assert together([0, 0, 5], [0, 0, 5]) is Together.TOO_FEW


def test_rank_correlation_without_ties():
    """The worked example of hours of television and IQ: rho -0.175757575, two-sided p 0.627188 by Student's t."""
    iq = [106, 86, 100, 101, 99, 103, 97, 113, 112, 110]
    hours = [7, 0, 27, 50, 28, 29, 20, 12, 6, 17]
    found = follows(iq, hours)
    assert found.rho == pytest.approx(-0.175757575, abs=1e-8)
    assert found.p == pytest.approx(0.627188, abs=1e-6)


def test_few_pairs_get_their_exact_chance():
    """Derived: all orders counted one by one."""
    x, y = [3.0, 1.0, 4.0, 1.5, 5.0], [2.0, 1.0, 5.0, 4.0, 7.0]
    rho = stats.spearmanr(x, y).statistic
    orders = [stats.spearmanr(order, y).statistic for order in itertools.permutations(x)]
    assert follows(x, y).p == pytest.approx(2 * np.mean(np.array(orders) >= rho - 1e-9))
    assert follows([1, 2, 3, 4], [10, 20, 30, 40]).p == pytest.approx(2 / 24)


@pytest.mark.parametrize(
    "call",
    [
        lambda: repeat_problem([IN], out_of=0),
        lambda: repeat_problem([IN], out_of=4, last=3),
        lambda: repeat_problem([AsFound(float("nan"), 0.0, True)]),
        lambda: together([1, 2], [1, 2, 3]),
        lambda: follows([1, 2, 3], [1, 2, 3]),
        lambda: follows([1, 1, 1, 1], [1, 2, 3, 4]),
        lambda: follows([1, 2, 3, 4], [5, 5, 5, 5]),
    ],
)
def test_bad_input_is_told(call):
    with pytest.raises(CalcError):
        call()
