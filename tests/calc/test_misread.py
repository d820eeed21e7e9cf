"""How a mark is misread: the chances are chances, the pairs are a plant's own, and what was counted corrects them."""

import itertools

import pytest

from linelog.calc.errors import CalcError
from linelog.calc.misread import USUAL_PAIRS, Misreading, chance_typed, chance_unrecorded, lookalikes

PAIRS = lookalikes("6/8 1/7")
HOW = Misreading(0.1, PAIRS)
LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@pytest.mark.parametrize("mark", ["6", "X", "16", "66", "K4"])
def test_all_that_can_be_typed_of_a_mark_adds_up_to_one(mark):
    """By the law of total probability: whatever is typed, something is."""
    shorter = [*LETTERS, *map("".join, itertools.product(LETTERS, repeat=2))]
    typed = [one for one in shorter if len(one) in {len(mark), len(mark) - 1}]
    total = sum(chance_typed(one, mark, HOW) for one in typed)
    assert total == pytest.approx(
        1.0, abs=0.025
    )  # a mark of one letter has none to lose, one of two alike none to swap


def test_a_lookalike_is_likelier_than_a_stranger_and_the_mark_itself_likeliest():
    right, alike, other = (chance_typed(typed, "16", HOW) for typed in ("16", "18", "13"))
    assert right > 0.9
    assert right > 10 * alike > 100 * other > 0
    assert chance_typed("6", "16", HOW) == chance_typed("1", "16", HOW) > 0
    assert chance_typed("61", "16", HOW) > chance_typed("95", "16", HOW)
    assert chance_typed("18", "16", HOW) == chance_typed("16", "18", HOW)


def test_a_letter_that_was_not_read_says_nothing_and_capitals_do_not_matter():
    assert chance_typed("1?", "16", HOW) > 0.9
    assert chance_typed("?", "6", HOW) == 1.0
    assert chance_typed("?", "16", HOW) == pytest.approx(0.1 * 0.15)
    assert chance_typed("k4", "K4", HOW) == chance_typed("K4", "k4", HOW)
    assert chance_typed("123", "1", HOW) == chance_typed("", "1", HOW) == 0.0
    assert chance_unrecorded("1?") == pytest.approx(1 / 36)


def test_what_was_counted_corrects_the_share_that_is_set():
    assert HOW.counted(0, 0).share == pytest.approx(0.1)
    # The mean of a beta distribution after binomial counts (NIST/SEMATECH e-Handbook 8.2.5 has the gamma one; this is
    # from memory): (5 + 30) / (50 + 150).
    assert HOW.counted(30, 150).share == pytest.approx(35 / 200)
    assert HOW.counted(10**6, 10**6).share <= 0.9


@pytest.mark.parametrize("said", ["68", "6/", "6/6", "6/88", "6-8", "?/8"])
def test_what_is_no_pair_is_one_sentence(said):
    with pytest.raises(CalcError, match="is no pair") as refusal:
        lookalikes(f"1/7 {said}")
    assert refusal.value.field == "mark_lookalikes"


def test_the_usual_pairs_hold_those_that_every_shop_knows():
    # Common practice, no source.
    usual = lookalikes(USUAL_PAIRS)
    assert usual >= {frozenset(pair) for pair in ("68", "17", "0O", "38", "5S", "8B")}
    assert lookalikes("") == frozenset()
    assert lookalikes("6/8, 1/7") == PAIRS
