import pytest
from scipy import stats

from linelog.calc.plain_repeat import LEVEL, Seen, Usual, plain_pairs

SELDOM = Usual(199, (1.1, 1.2, 1.3, 1.5))  # 200 visits, reckoned with this one


def far(share=1.8, toward=200.0, inside=True):
    return Seen(share, toward, inside)


IN = Seen(0.0, 90.0, True)


def test_the_chance_is_that_of_two_such_visits_times_that_of_their_directions():
    """Derived: 1 of 200 visits is as far out (with this one); two of two so, and 18 degrees apart of 180."""
    found = plain_pairs([far(1.8, 200.0), far(1.6, 218.0)], SELDOM)
    assert found[0] is None
    assert found[1].share == 1.6
    assert found[1].chance == pytest.approx((1 / 200) ** 2 * 18 / 180)
    assert found[1].is_plain


def test_earlier_visits_that_found_it_in_make_two_less_plain():
    """Derived: two or more of five visits, by the binomial law with 3 of 200 at 1.3 of the limit and beyond."""
    pair = [far(1.3, 200.0), far(1.3, 200.0)]
    fresh, old = plain_pairs(pair, SELDOM)[-1], plain_pairs([IN, IN, IN, *pair], SELDOM)[-1]
    assert old.chance == pytest.approx(stats.binom.sf(1, 5, 3 / 200) * 10 / 180)
    assert old.chance > fresh.chance
    assert plain_pairs([IN] * 9 + pair, SELDOM)[-1] == old, "no more than the last five count"


@pytest.mark.parametrize(
    "visits",
    [
        [far(), far(inside=False)],
        [far(), far(toward=20.0)],
        [far(), far(toward=None)],
        [far(), IN],
        [IN, far()],
        [far(), IN, far()],
        [far(0.99), far()],
        [far()],
        [],
    ],
)
def test_nothing_is_plain_without_two_far_out_in_a_row_the_same_way(visits):
    assert plain_pairs(visits, SELDOM) == [None] * len(visits)


def test_where_stations_are_often_so_far_out_or_little_is_known_two_are_not_enough():
    often = Usual(199, (2.0,) * 40)
    assert not plain_pairs([far(), far()], often)[1].is_plain
    assert plain_pairs([far(), far()], Usual(19, ())) == [None, None]
    assert LEVEL <= 0.05 / 30
