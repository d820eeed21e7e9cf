"""How long a lockout stands: shift, age, at most twelve hours (common practice, no source)."""

import datetime as dt
import zoneinfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.errors import CalcError
from linelog.calc.lockout import LONGEST_HOURS, RunsOut, life, shift_hours

BERLIN = zoneinfo.ZoneInfo("Europe/Berlin")
THREE = [dt.time(6), dt.time(14), dt.time(22)]


def at(day, hour, minute=0, month=6):
    return dt.datetime(2026, month, day, hour, minute, tzinfo=BERLIN)


@pytest.mark.parametrize(
    ("starts", "hours"),
    [
        (THREE, 8.0),
        ([dt.time(6), dt.time(18)], 12.0),
        ([dt.time(6), dt.time(14)], 12.0),  # the long one is sixteen hours: no lockout stands so long
        ([dt.time(7, 30)], 12.0),
        ([], 12.0),
        ([dt.time(0), dt.time(6), dt.time(12), dt.time(18)], 6.0),
    ],
)
def test_a_shift_is_as_long_as_from_its_start_to_the_next(starts, hours):
    assert shift_hours(starts) == hours


@pytest.mark.parametrize(
    ("verified", "given", "until", "why"),
    [
        (at(15, 9), {}, at(15, 17), RunsOut.AGE),  # no word on shifts: eight hours, the length of one
        (at(15, 9), {"overlap_minutes": 30}, at(15, 14), RunsOut.SHIFT),
        (at(15, 13, 29), {"overlap_minutes": 30}, at(15, 14), RunsOut.SHIFT),
        (at(15, 13, 45), {"overlap_minutes": 30}, at(15, 21, 45), RunsOut.AGE),  # for the coming shift: its age first
        (at(15, 22, 30), {"overlap_minutes": 30}, at(16, 6), RunsOut.SHIFT),  # over midnight: the age, not the date
        (at(15, 9), {"lasts_hours": 2.5}, at(15, 11, 30), RunsOut.AGE),
        (at(15, 9), {"lasts_hours": 40.0}, at(15, 21), RunsOut.AGE),  # twelve at most, whatever is asked
    ],
)
def test_it_stands_until_its_shift_ends_or_it_is_of_age(verified, given, until, why):
    found = life(verified, shift_starts=THREE, zone=BERLIN, **given)
    assert (found.until, found.why) == (until, why)


def test_on_the_night_the_clocks_go_back_the_shift_lasts_nine_hours_and_the_age_still_eight():
    """2026-10-25: 03:00 summer time becomes 02:00; from 22:15 to 06:00 by the wall clock are 8 h 45 min."""
    verified = at(24, 22, 15, month=10)
    found = life(verified, shift_starts=THREE, zone=BERLIN, overlap_minutes=30)
    assert found.why is RunsOut.AGE
    assert found.until.astimezone(dt.UTC) - verified.astimezone(dt.UTC) == dt.timedelta(hours=8)
    assert found.until.astimezone(BERLIN).time() == dt.time(5, 15)


@given(
    minutes=st.integers(0, 370 * 24 * 60),
    starts=st.lists(st.times().map(lambda t: t.replace(second=0, microsecond=0)), max_size=5, unique=True),
    lasts=st.none() | st.floats(0.01, 100),
    overlap=st.none() | st.integers(0, 240),
)
def test_none_stands_beyond_twelve_hours_and_every_one_stands_for_some_time(minutes, starts, lasts, overlap):
    verified = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(minutes=minutes)
    found = life(verified, shift_starts=starts, zone=BERLIN, lasts_hours=lasts, overlap_minutes=overlap)
    assert dt.timedelta(0) < found.until - verified <= dt.timedelta(hours=LONGEST_HOURS)


def test_what_makes_no_sense_is_refused():
    with pytest.raises(CalcError):
        life(at(15, 9).replace(tzinfo=None), shift_starts=THREE, zone=BERLIN)
    with pytest.raises(CalcError):
        life(at(15, 9), shift_starts=THREE, zone=BERLIN, lasts_hours=0.0)
