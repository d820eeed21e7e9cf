"""The decision rule of ISO 14253-1: proved in, proved out, or not proven."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.errors import CalcError
from linelog.calc.verdict import Verdict, judge


@pytest.mark.parametrize(
    ("size", "expanded", "verdict"),
    [
        (20.0, 5.0, Verdict.IN),  # 25 is on the limit: conforming
        (20.1, 5.0, Verdict.NOT_PROVEN),
        (25.0, 5.0, Verdict.NOT_PROVEN),
        (30.0, 5.0, Verdict.NOT_PROVEN),  # 25 is on the limit: not proved beyond it
        (30.1, 5.0, Verdict.OUT),
        (0.0, 25.1, Verdict.NOT_PROVEN),
    ],
)
def test_rule_against_a_limit_of_25(size, expanded, verdict):
    assert judge(size, expanded, 25.0).verdict is verdict


def test_words_and_severity():
    assert [verdict.value for verdict in Verdict] == ["in", "out", "not proven"]
    assert judge(0.12, 0.01, 0.08).severity == pytest.approx(1.5)


@pytest.mark.parametrize("limit", [0.0, -25.0, math.nan, math.inf, 5e-324])
def test_a_limit_must_be_above_zero(limit):
    with pytest.raises(CalcError, match="A limit must be above zero") as refused:
        judge(10.0, 2.0, limit)
    assert refused.value.field == "limit"


@pytest.mark.parametrize(
    ("size", "expanded"), [(-1.0, 2.0), (1.0, -2.0), (math.nan, 2.0), (1.0, math.inf), (1e308, 1.0)]
)
def test_a_size_must_be_a_size(size, expanded):
    with pytest.raises(CalcError):
        judge(size, expanded, 25.0)


@given(st.floats(0, 1e5), st.floats(0, 1e5), st.floats(0.001, 1e5))
def test_without_uncertainty_nothing_stays_open_and_more_of_it_never_proves_more(size, expanded, limit):
    sure, unsure = judge(size, 0.0, limit), judge(size, expanded, limit)
    assert sure.verdict is (Verdict.IN if size <= limit else Verdict.OUT)
    assert unsure.verdict in (sure.verdict, Verdict.NOT_PROVEN)
