import numpy as np
import pytest

from linelog.calc import count_design
from linelog.calc.errors import CalcError


def test_scaled_parameters_come_back_as_raw_ones():
    rng = np.random.default_rng(0)
    x = rng.normal([1000.0, -3.0], [50.0, 0.01], (12, 2))
    members = np.repeat(np.eye(3), 4, axis=0)
    design = count_design.Design.of(x, members)
    scaled = rng.normal(size=5)
    assert np.column_stack([members, x]) @ (design.back @ scaled) == pytest.approx(design.scaled @ scaled)
    assert design.scaled[:, 3:].mean(axis=0) == pytest.approx([0, 0], abs=1e-9)
    assert design.scaled[:, 3:].std(axis=0) == pytest.approx([1, 1])


def test_groups_without_counts_are_set_apart():
    labels, kept, left_out = count_design.with_counts(np.array([0.0, 0, 2, 0]), ["B", "B", "A", "A"])
    assert labels.tolist() == ["B", "B", "A", "A"]
    assert kept.tolist() == [False, False, True, True]
    assert left_out == ("B",)


def _separated(y, x):
    design = np.column_stack([np.ones(len(y)), x])
    try:
        count_design.check_separated(np.array(y, dtype=float), design, ["x"])
    except CalcError:
        return True
    return False


def test_counts_on_one_side_only_are_found_also_for_a_mix_of_predictors():
    """Santos Silva & Tenreyro (2010): the estimate does not exist where such a mix does."""
    assert _separated([0, 0, 3, 4], [0, 0, 1, 1])
    assert not _separated([0, 1, 3, 4], [0, 0, 1, 1])
    assert not _separated([0, 0, 3, 4], [1, 2, 3, 4])  # counts at two values hold the slope
    assert not _separated([0, 5, 0], [-1, 0, 1])  # zeros on both sides
    sides = [[1, 1], [2, 2], [3, 3], [1, 2], [2, 4]]  # counts only where both are equal
    assert _separated([3, 2, 4, 0, 0], sides)
    assert not _separated([3, 2, 4, 0, 0], [[1, 1], [2, 2], [3, 3], [1, 2], [4, 2]])


def test_a_predictor_that_only_follows_others_is_told():
    members, x = np.ones((6, 1)), np.arange(6.0)[:, None]
    both = np.hstack([x, 2 * x + 7])
    with pytest.raises(CalcError, match="a and b move together"):
        count_design.check_predictors(np.ones(6), both, members, ["a", "b"], grouped=False)
    count_design.check_predictors(np.ones(6), np.hstack([x, x**2]), members, ["a", "b"], grouped=False)
