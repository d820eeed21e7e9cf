"""When a found can was made, by the best that was given: a day and time, the date code, else the day it was found."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from linelog.calc.date_code import Stamp, date_code, read_code
from linelog.calc.errors import CalcError
from linelog.plant.models import Plant, Shift
from linelog.production.days import local_day, zone
from linelog.production.models import Finding
from linelog.production.reading.dates import EARLIEST
from linelog.web.errors import Refused

By = Finding.MadeBy
NOT_DESCRIBED = (
    "How the date code reads is not described for this plant: give the day made, or have the manager describe the "
    "code in the plant settings."
)


@dataclass(frozen=True, slots=True)
class Made:
    """The day that a can was made, how closely it is known (aware, both ends), and what it rests on."""

    on: dt.date
    begins: dt.datetime
    ends: dt.datetime
    by: str


@dataclass(frozen=True, slots=True)
class Told:
    """What was typed of the time: the day found, and perhaps the day made, a time of it, or the can's date code."""

    found_on: dt.date
    made_on: dt.date | None = None
    made_time: dt.time | None = None
    date_code: str = ""


def made(plant: Plant, told: Told, now: dt.datetime) -> Made:
    """Work out when it was made; raises `Refused` with a sentence beside the field that makes no sense."""
    today = local_day(plant, now)
    _check_days(told, today)
    if told.made_time is not None and told.made_on is None:
        raise Refused("A time needs the day made beside it.", field="made_time")
    if told.date_code:
        found = _by_code(plant, told, today)
    elif told.made_on:
        found = _typed(plant, told.made_on, told.made_time)
    else:
        found = _whole_day(plant, told.found_on, By.FOUND)
    if (told.found_on - found.on).days > plant.oldest_can_days:
        raise _too_old(plant, found)
    if found.begins > now:
        raise Refused("This time has not come yet.", field="made_time" if told.made_time else "date_code")
    return found


def _check_days(told: Told, today: dt.date) -> None:
    for field, day in (("found_on", told.found_on), ("made_on", told.made_on)):
        if day and day > today:
            raise Refused("This day has not come yet.", field=field)
        if day and day < EARLIEST:
            raise Refused(f"Findings before {EARLIEST.year} are not kept here.", field=field)
    if told.made_on and told.made_on > told.found_on:
        raise Refused(f"It can't have been found on {told.found_on}, before it was made.", field="made_on")


def _too_old(plant: Plant, found: Made) -> Refused:
    reads, field = ("The code reads", "date_code") if found.by == By.CODE else ("This is", "made_on")
    return Refused(
        f"{reads} {found.on}, more than {plant.oldest_can_days} days before it was found: no can here is that old.",
        field=field,
    )


def _by_code(plant: Plant, told: Told, today: dt.date) -> Made:
    if not plant.date_code:
        raise Refused(NOT_DESCRIBED, field="date_code")
    shifts = list(plant.shifts.order_by("starts"))
    try:
        stamp = read_code(
            date_code(plant.date_code), told.date_code, today=today, shifts=tuple(shift.code for shift in shifts)
        )
    except CalcError as error:
        raise Refused(error.message, field="date_code") from None
    if stamp.day > told.found_on:
        raise Refused(f"The code reads {stamp.day}, after the day it was found.", field="date_code")
    if told.made_on and told.made_on != stamp.day:
        raise Refused(f"The code reads {stamp.day}, not {told.made_on}: leave one of the two out.", field="date_code")
    if told.made_time is not None:
        typed = _typed(plant, stamp.day, told.made_time)
        return Made(stamp.day, typed.begins, typed.ends, By.CODE)
    return _stamped(plant, stamp, shifts)


def _at(plant: Plant, day: dt.date, time: dt.time) -> dt.datetime:
    return dt.datetime.combine(day, time, tzinfo=zone(plant))


def _whole_day(plant: Plant, day: dt.date, by: str) -> Made:
    return Made(day, _at(plant, day, dt.time()), _at(plant, day + dt.timedelta(days=1), dt.time()), by)


def _typed(plant: Plant, day: dt.date, time: dt.time | None) -> Made:
    if time is None:
        return _whole_day(plant, day, By.TYPED)
    moment = _at(plant, day, time)
    return Made(day, moment, moment, By.TYPED)


def _stamped(plant: Plant, stamp: Stamp, shifts: list[Shift]) -> Made:
    """Return the hour or the shift that a code names, else its whole day."""
    if stamp.hour is not None:
        begins = _at(plant, stamp.day, dt.time(stamp.hour))
        return Made(stamp.day, begins, begins + dt.timedelta(hours=1), By.CODE)
    if stamp.shift is None:
        return _whole_day(plant, stamp.day, By.CODE)
    at = next(number for number, shift in enumerate(shifts) if shift.code == stamp.shift)
    starts, following = shifts[at].starts, shifts[(at + 1) % len(shifts)].starts
    # A production day begins at its own hour: a shift that starts before it is after midnight, a calendar day on.
    first = stamp.day + dt.timedelta(days=int(starts < plant.day_starts))
    last = first + dt.timedelta(days=int(following <= starts))
    return Made(stamp.day, _at(plant, first, starts), _at(plant, last, following), By.CODE)
