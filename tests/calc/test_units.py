"""Lengths and slopes: exact factors, and the questions asked back when a unit looks wrong."""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.errors import CalcError
from linelog.calc.units import (
    Unit,
    from_um,
    meanings,
    offset_from_tir,
    show_um,
    tir_from_offset,
    to_um,
    unit_question,
)

typed = st.decimals(-2, 2, allow_nan=False, allow_infinity=False, places=5)


@pytest.mark.parametrize(
    ("value", "unit", "um"),
    [
        (1, Unit.INCH, 25_400.0),  # NIST SP 811: 1 in is 25.4 mm exactly
        (0.001, Unit.INCH, 25.4),  # in binary 0.001 * 25400 is not 25.4
        (0.0013, Unit.INCH, 33.02),
        (Decimal("0.0005"), Unit.INCH, 12.7),
        (-0.025, Unit.MM, -25.0),
        (3, Unit.UM, 3.0),
    ],
)
def test_lengths_convert_exactly(value, unit, um):
    assert to_um(value, unit) == um
    assert from_um(um, unit) == float(value)


@given(typed, st.sampled_from(Unit))
def test_what_was_typed_comes_back(value, unit):
    assert from_um(to_um(value, unit), unit) == float(value)


def test_full_indicator_reading_is_twice_the_offset():
    assert tir_from_offset(12.5) == 25.0
    assert offset_from_tir(25.0) == 12.5


@pytest.mark.parametrize(
    "value", [math.nan, math.inf, -math.inf, 1e308, Decimal("NaN"), Decimal("sNaN"), Decimal("1e999")]
)
def test_a_number_that_cannot_be_used_is_refused(value):
    with pytest.raises(CalcError) as refused:
        to_um(value, Unit.INCH, field="reading")
    assert refused.value.field == "reading"


def test_lengths_are_written_with_sign_decimals_and_unit():
    assert show_um(25.4, Unit.MM) == "+0.025\u202fmm"
    assert show_um(-25.4, Unit.INCH) == "−0.0010\u202fin"
    assert show_um(-0.01, Unit.UM) == "+0.0\u202fµm"
    assert show_um(12.5, Unit.UM, signed=False) == "12.5\u202fµm"


# A dial of 10 mm range read to 0.01 mm, and what people type by mistake.
@pytest.mark.parametrize(
    ("value", "unit", "ends"),
    [
        (0.02, Unit.MM, None),
        (0, Unit.MM, None),
        (-0.0012, Unit.INCH, None),
        (0.0012, Unit.MM, "is this in inches?"),  # 0.0012 in, typed into a mm field
        (0.45, Unit.INCH, "is this in mm?"),
        (15, Unit.MM, "is this in µm?"),
        (0.02, Unit.UM, "is this in mm?"),
        (0.000001, Unit.MM, "is this right?"),
    ],
)
def test_a_wrong_unit_is_asked_back(value, unit, ends):
    question = unit_question(value, unit, span_um=10_000, finest_um=10)
    assert question is None if ends is None else question.endswith(ends)


def test_the_question_says_what_is_odd():
    question = unit_question(0.0012, Unit.MM, span_um=10_000, finest_um=10)
    assert question == "0.0012 mm is finer than the 0.01 mm expected here: is this in inches?"
    question = unit_question(0.05, Unit.INCH, span_um=200, finest_um=5)
    assert question == "0.05 in is more than the 0.00787 in expected here: is this in mm?"


def test_an_absurd_length_is_refused_and_not_asked():
    with pytest.raises(CalcError, match="more than any dial shows"):
        unit_question(2.1, Unit.INCH, span_um=10_000)


@pytest.mark.parametrize(
    ("text", "unit", "offered"),
    [
        ("17", Unit.MM, ["17 µm", "0.017 mm"]),
        ("0.0004", Unit.MM, ["0.0004 in", "0.4 mm"]),
        ("1", Unit.INCH, ["1 mm", "0.001 in"]),  # 1 µm is finer than the dial shows
        ("2.5", Unit.MM, ["2.5 µm", "0.0025 mm"]),
        ("0.02", Unit.UM, ["0.02 mm", "0.02 in", "20 µm"]),
        ("-17", Unit.MM, ["-17 µm", "-0.017 mm"]),
        ("900", Unit.INCH, ["900 µm"]),
    ],
)
def test_what_a_wild_number_may_have_meant(text, unit, offered):
    # A dial of 0.01 mm that reads 1.5 mm either way; inch and mm by NIST SP 811.
    assert [one.words for one in meanings(text, unit, span_um=1500, finest_um=2.5)] == offered
