"""Amendments: what they replace, what they set aside, and that nothing else changes."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.alignment.standing import Value, Word, as_it_is_now, stand, worst_key
from linelog.calc.verdict import judge

AT = dt.datetime(2026, 6, 1, 8, tzinfo=dt.UTC)


def value(x=30.0, y=-40.0, *, visit=1, station=7, seat="", stage="as_found", method="static", **more):
    radial = (x * x + y * y) ** 0.5
    judged = judge(radial, 6.0, 38.0)
    rest = {"carried": False} | more
    return Value(
        visit,
        AT,
        station,
        seat,
        stage,
        method,
        x,
        y,
        radial,
        6.0,
        38.0,
        judged.verdict.value,
        judged.severity,
        **rest,
    )


def word(x=None, y=None, *, set_aside=False):
    return Word("wrong indicator", set_aside, x, y)


def test_an_amended_value_is_judged_anew_and_remembers_what_was_measured():
    found = stand([value()], {(1, 7, "as_found", ""): word(3.0, 4.0)})
    (one,) = found.values
    assert (one.x_um, one.y_um, one.radial_um) == (3.0, 4.0, 5.0)
    assert one.verdict == "in"
    assert one.severity == pytest.approx(5.0 / 38.0)
    assert (one.amended.was_x_um, one.amended.was_y_um, one.amended.reason) == (30.0, -40.0, "wrong indicator")
    assert found.set_aside == 0


def test_a_tilt_that_is_out_stays_out_when_the_offset_is_amended():
    tilted = value(tilt_x_mm_per_m=0.3, tilt_y_mm_per_m=0.4, tilt_expanded_mm_per_m=0.02, tilt_limit_mm_per_m=0.12)
    (one,) = stand([tilted], {(1, 7, "as_found", ""): word(3.0, 4.0)}).values
    assert one.verdict == "out"
    assert one.severity == pytest.approx(0.5 / 0.12)


def test_a_value_set_aside_is_left_out_and_counted():
    found = stand([value(), value(stage="as_left")], {(1, 7, "as_found", ""): word(set_aside=True)})
    assert [one.stage for one in found.values] == ["as_left"]
    assert found.set_aside == 1


def test_a_value_carried_over_stands_and_falls_with_what_it_was_carried_from():
    both = [value(), value(stage="as_left", carried=True)]
    aside = stand(both, {(1, 7, "as_found", ""): word(set_aside=True)})
    assert (len(aside.values), aside.set_aside) == (0, 2)
    amended = stand(both, {(1, 7, "as_found", ""): word(1.0, 1.0)})
    assert [one.x_um for one in amended.values] == [1.0, 1.0]
    own = stand(both, {(1, 7, "as_found", ""): word(1.0, 1.0), (1, 7, "as_left", ""): word(2.0, 2.0)})
    assert [one.x_um for one in own.values] == [1.0, 2.0]


def test_an_amendment_speaks_of_the_static_value_where_there_is_one_else_of_the_running_one():
    words = {(1, 7, "as_found", ""): word(set_aside=True)}
    both = stand([value(), value(method="running")], words)
    assert [one.method for one in both.values] == ["running"]
    alone = stand([value(method="running")], words)
    assert (alone.values, alone.set_aside) == ((), 1)


@given(
    st.lists(st.tuples(st.integers(1, 4), st.sampled_from(["as_found", "as_left"]), st.floats(-50, 50)), max_size=12),
    st.dictionaries(st.integers(1, 4), st.booleans(), max_size=4),
)
def test_every_value_stands_or_is_counted_and_the_others_are_untouched(rows, spoken):
    values = [value(x, 1.0, visit=visit, stage=stage) for visit, stage, x in rows]
    words = {(visit, 7, "as_found", ""): word(set_aside=aside, x=9.0, y=9.0) for visit, aside in spoken.items()}
    found = stand(values, words)
    assert len(found.values) + found.set_aside == len(values)
    for one in found.values:
        if one.stage == "as_left" or one.visit_id not in spoken:
            assert one in values


def test_as_it_is_now_takes_as_left_where_there_is_one():
    values = [value(), value(1.0, 1.0, stage="as_left"), value(5.0, 5.0, seat="rear")]
    assert {(one.seat, one.stage) for one in as_it_is_now(values)} == {("", "as_left"), ("rear", "as_found")}


def test_the_worst_is_the_one_proven_out_before_the_larger_share_not_proven():
    out, unsure, fine = value(36.0, 28.0), value(37.0, 3.0), value(1.0, 1.0)
    assert [one.verdict for one in sorted([fine, unsure, out], key=worst_key)] == ["out", "not proven", "in"]
