"""Severity between two visits: a straight line over the cans, from what was left to what was found."""

import numpy as np
import pytest

from linelog.calc.carried import Ends, carried
from linelog.calc.errors import CalcError


def ends(*offsets, tilts=None):
    given = tilts or [None] * len(offsets)
    return Ends(
        offset=np.array(offsets, dtype=float),
        tilt=np.array([tilt or (0.0, 0.0) for tilt in given]),
        has_tilt=np.array([tilt is not None for tilt in given]),
    )


AT = np.array([0.0, 100.0, 300.0])
FOUND = ends((0.9, 0.0), (1.0, 0.0), (0.0, 0.8))
LEFT = ends((0.0, 0.0), (0.0, 0.4), (0.0, 0.1))


def test_half_way_between_left_and_found_by_hand():
    made = carried(AT, FOUND, LEFT, np.array([50.0, 200.0]), np.array([1, 2]))
    # from (0, 0) to (1, 0): half of it; from (0, 0.4) to (0, 0.8): 0.6
    assert made.severity == pytest.approx([0.5, 0.6])
    assert made.known.all()


def test_before_the_first_and_after_the_last_visit_nothing_is_known():
    made = carried(AT, FOUND, LEFT, np.array([-1.0, 400.0]), np.array([0, 3]))
    assert not made.known.any()
    assert made.severity.tolist() == [0.0, 0.0]


def test_an_offset_that_crosses_to_the_other_side_goes_through_zero():
    """The vector is carried, not its size: from 1 at the right to 1 at the left, half way there is none."""
    at = np.array([0.0, 10.0])
    made = carried(at, ends((0.0, 0.0), (-1.0, 0.0)), ends((1.0, 0.0), (0.0, 0.0)), np.array([5.0]), np.array([1]))
    assert made.severity == pytest.approx([0.0])


def test_the_larger_of_offset_and_tilt_counts_and_a_tilt_measured_once_stays():
    found = ends((0.0, 0.0), (0.2, 0.0), tilts=[None, (0.0, 0.9)])
    left = ends((0.2, 0.0), (0.0, 0.0), tilts=[None, None])
    made = carried(np.array([0.0, 10.0]), found, left, np.array([1.0, 9.0]), np.array([1, 1]))
    assert made.severity == pytest.approx([0.9, 0.9])


def test_where_nothing_was_made_between_two_visits_what_was_left_stands():
    at = np.array([5.0, 5.0])
    made = carried(at, ends((0, 0), (0.8, 0)), ends((0.3, 0), (0, 0)), np.array([5.0]), np.array([1]))
    assert made.severity == pytest.approx([0.3])


@pytest.mark.parametrize(("at", "where"), [([3.0, 1.0], [2.0]), ([0.0, np.nan], [2.0]), ([0.0, 1.0], [np.inf])])
def test_what_makes_no_sense_is_refused_in_a_sentence(at, where):
    two = ends((0, 0), (0, 0))
    with pytest.raises(CalcError, match=r"\.$"):
        carried(np.array(at), two, two, np.array(where), np.array([1]))
