import numpy as np
import pytest

from linelog.calc import arrays
from linelog.calc.errors import CalcError


def test_a_single_number_becomes_a_row_of_one():
    assert arrays.numbers(3, "Values", "values").tolist() == [3.0]


@pytest.mark.parametrize(
    "bad", [[1.0, float("nan")], [float("inf")], [1e308], ["a"], [None], [[1.0, 2.0]], [], {"a": 1}], ids=repr
)
def test_what_is_not_a_row_of_usable_numbers_is_told_with_its_field(bad):
    with pytest.raises(CalcError) as told:
        arrays.numbers(bad, "Values", "values")
    assert told.value.field == "values"
    assert told.value.message.startswith("Values")


@pytest.mark.parametrize("bad", [-1, 0.5, [3, -2], [1.5]])
def test_counts_are_whole_and_not_negative(bad):
    with pytest.raises(CalcError):
        arrays.counts_of(bad)


def test_no_cans_give_no_rate():
    with pytest.raises(CalcError, match="leave out the time"):
        arrays.cans_of([4e5, 0.0])


def test_positive_leaves_out_zero_that_not_negative_allows():
    assert arrays.not_negative([0.0], "Limits", "limits").tolist() == [0.0]
    with pytest.raises(CalcError, match="above zero"):
        arrays.positive([0.0], "Limits", "limits")
    with pytest.raises(CalcError, match="cannot be negative"):
        arrays.not_negative([-0.1], "Limits", "limits")


def test_one_number_of_cans_serves_all_counts_and_other_lengths_are_told():
    counts, cans = arrays.counts_and_cans([1, 2, 3], 10)
    assert counts.tolist() == [1, 2, 3]
    assert cans.tolist() == [10, 10, 10]
    with pytest.raises(CalcError, match="2 values on one side and 3 on the other"):
        arrays.counts_and_cans([1, 2, 3], [10, 20])


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0, -0.5, float("nan")])
def test_a_level_is_a_share(level):
    with pytest.raises(CalcError):
        arrays.level_of(level)


def test_one_number_names_its_ends():
    with pytest.raises(CalcError, match="above 0"):
        arrays.one_number(0.0, "The pitch", "pitch", above=0.0)
    with pytest.raises(CalcError, match="between 0 and 1"):
        arrays.one_number(2.0, "The share", "share", above=0.0, below=1.0)
    assert np.isclose(arrays.one_number(0.3, "The share", "share", above=0.0, below=1.0), 0.3)
