"""Date codes: read by the plant's own description.

The day of the year is the ordinal date of ISO 8601-1:2019, 5.2.3 (001 to 365, 366 in leap years): 1 January is 001,
31 May of a common year is 151, 31 December 365. The order of the pieces is ours, so those cases have no source.
"""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.date_code import PIECES, Stamp, date_code, read_code
from linelog.calc.errors import CalcError

TODAY = dt.date(2026, 11, 25)
SHIFTS = ("A", "B", "N1")


def read(description, typed, today=TODAY):
    return read_code(date_code(description), typed, today=today, shifts=SHIFTS)


@pytest.mark.parametrize(
    ("description", "typed", "day", "more"),
    [
        ("year-digit day-of-year shift", "6151B", dt.date(2026, 5, 31), {"shift": "B"}),
        ("year-digit day-of-year shift", "6 151-n1", dt.date(2026, 5, 31), {"shift": "N1"}),
        ("year-digit day-of-year", "4366", dt.date(2024, 12, 31), {}),
        ("year-digit day-of-year", "7001", dt.date(2017, 1, 1), {}),
        ("year day-of-year hour", "2600123", dt.date(2026, 1, 1), {"hour": 23}),
        ('"L" year month day hour-letter', "L260228X", dt.date(2026, 2, 28), {"hour": 23}),
        ("month-letter day", "L31", dt.date(2025, 12, 31), {}),
        ("month day", "11.25", dt.date(2026, 11, 25), {}),
        ("any any day-of-year", "QZ060", dt.date(2026, 3, 1), {}),
    ],
)
def test_codes_read_as_described(description, typed, day, more):
    assert read(description, typed) == Stamp(day, **more)


@pytest.mark.parametrize(
    ("description", "typed", "sentence"),
    [
        ("year-digit day-of-year", "6366", "a day that 2026 does not have"),
        ("year-digit day-of-year", "6000", "a day that 2026 does not have"),
        ("year-digit day-of-year", "6330", "2026-11-26, which has not come yet"),
        ("year month day", "260230", "a day that 2026 does not have"),
        ("year month day", "261301", "reads month 13, and a year has 12"),
        ("year month day", "260001", "reads month 0, and a year has 12"),
        ("year-digit day-of-year hour", "615124", "hour 24, which no day has"),
        ("year-digit day-of-year shift", "6151Z", "does not read as a date code"),
        ("year-digit day-of-year", "", "does not read as a date code"),
        ("year-digit day-of-year", "9" * 5000, "does not read as a date code"),
        ("year-digit day-of-year", "٦151", "does not read as a date code"),
    ],
)
def test_what_cannot_be_read_is_said_in_one_sentence(description, typed, sentence):
    with pytest.raises(CalcError, match=sentence) as told:
        read(description, typed)
    assert told.value.field == "date_code"
    assert len(told.value.message) < 200


@pytest.mark.parametrize(
    ("description", "sentence"),
    [
        ("", "Describe the code"),
        ("year-digit", "must tell the day"),
        ("year-digit month", "must tell the day"),
        ("week day", "no piece of a code"),
        ("year year-digit day-of-year", "not both"),
        ("day-of-year hour shift", "not both"),
        ("day-of-year day-of-year", "only one day-of-year"),
        ("day-of-year " + "any " * 20, "60 letters at most"),
    ],
)
def test_a_description_that_makes_no_sense_is_refused(description, sentence):
    with pytest.raises(CalcError, match=sentence):
        date_code(description)


@given(st.dates(dt.date(2017, 1, 1), TODAY))
def test_every_day_of_ten_years_is_read_back(day):
    assert read("year-digit day-of-year", f"{day.year % 10}{day.timetuple().tm_yday:03d}").day == day
    assert read("year month day", f"{day:%y%m%d}").day == day


@given(st.lists(st.sampled_from([*PIECES, '"X"', '""', "x"]), max_size=6), st.text(max_size=30))
def test_whatever_is_described_and_typed_gives_a_stamp_or_a_sentence(pieces, typed):
    try:
        stamp = read(" ".join(pieces), typed)
    except CalcError:
        return
    assert stamp.day <= TODAY
