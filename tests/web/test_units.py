"""Lengths as typed and as shown: every way a number is written, and the unit the person reads."""

import math

import pytest
from django import forms
from django.template.defaultfilters import floatformat
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.units import Unit
from linelog.web import units
from linelog.web.templatetags.units import fixed

PLAIN = {"0.05": 0.05, "0,05": 0.05, "-0.05": -0.05, "−0,05": -0.05, "–3": -3, "+4": 4, " .5 ": 0.5, "5.": 5, "٣": 3}
ODD = ["", "x", "nan", "NaN", "inf", "-Infinity", "1e308", "1,000.5", "1.2.3", "0x1", "--1", "1" * 30, "1\x00"]


@pytest.mark.parametrize("typed", PLAIN)
def test_a_number_is_read_however_it_is_written(typed):
    assert units.parse_number(typed) == PLAIN[typed]


@pytest.mark.parametrize("typed", ODD)
def test_what_is_no_plain_number_is_refused_with_a_sentence(typed):
    with pytest.raises(ValueError, match=r"is not a number\.$"):
        units.parse_number(typed)


@given(st.text(max_size=40))
def test_no_text_becomes_anything_but_a_finite_number_or_a_refusal(text):
    try:
        number = units.parse_number(text)
    except ValueError:
        return
    assert math.isfinite(number)


@pytest.mark.parametrize(
    ("unit", "typed", "um"), [(Unit.MM, "0.05", 50.0), (Unit.UM, "50", 50.0), (Unit.INCH, "0.002", 50.8)]
)
def test_a_length_comes_back_in_um(unit, typed, um):
    """0.001 in = 25.4 um exactly (the international inch of 1959)."""
    assert units.LengthField(unit=unit).clean(typed) == pytest.approx(um, abs=1e-9)


def test_bounds_are_said_in_the_unit_that_was_typed():
    field = units.LengthField(unit=Unit.INCH, smallest_um=25.4, largest_um=254.0)
    for typed, said in (("0.0001", "0.0010\u202fin or more"), ("1", "0.0100\u202fin or less")):
        with pytest.raises(forms.ValidationError) as refused:
            field.clean(typed)
        assert said in refused.value.messages[0]
    assert field.clean("0.005") == pytest.approx(127.0)


def test_an_empty_length_is_none_where_it_may_be():
    assert units.LengthField(required=False).clean("") is None
    with pytest.raises(forms.ValidationError):
        units.LengthField().clean("")


@pytest.mark.parametrize(
    ("um", "unit", "signed", "shown"),
    [
        (50.0, Unit.MM, True, "+0.050"),
        (-50.0, Unit.MM, False, "−0.050"),
        (-0.0001, Unit.MM, False, "0.000"),
        (25.4, Unit.INCH, True, "+0.0010"),
        (None, Unit.MM, False, "–"),
        (math.nan, Unit.MM, False, "–"),
        (math.inf, Unit.MM, False, "–"),
    ],
)
def test_a_length_is_shown_in_the_readers_unit_with_a_true_minus(um, unit, signed, shown):
    assert units.show_um(um, unit, signed=signed) == shown


@given(st.floats(-1e9, 1e9).map(lambda value: round(value, 9)), st.integers(0, 4))
def test_a_number_with_fixed_decimals_reads_as_by_the_frameworks_own_filter(value, decimals):
    assert fixed(value, decimals) == floatformat(value, decimals)


@pytest.mark.parametrize(("value", "shown"), [(0.25, "0.3"), (-0.25, "-0.3"), (-0.04, "0.0"), (12, "12.0")])
def test_halves_are_rounded_up_and_nothing_has_no_sign(value, shown):
    assert fixed(value, 1) == shown == floatformat(value, 1)
