"""A plant's own date code: its description in plain pieces, and what a typed code says of day, hour and shift.

A description is a row of pieces with blanks between, in the order in which they stand on the can:
`year-digit day-of-year shift` reads 6151B as the 151st day of the year that ends in 6, shift B. Words in quotes are
fixed letters that the code always carries. The pieces are our own plain names; the code is the plant's.
"""

import datetime as dt
import re
from dataclasses import dataclass

from linelog.calc.errors import CalcError

#: What each piece looks like, and how it is explained. A shift is looked up in the plant's own list.
PIECES = {
    "year-digit": (r"[0-9]", "last digit of the year"),
    "year": (r"[0-9]{2}", "last two digits of the year"),
    "day-of-year": (r"[0-9]{3}", "001 for 1 January to 365 or 366"),
    "month": (r"[0-9]{2}", "01 to 12"),
    "month-letter": (r"[A-L]", "A for January to L for December"),
    "day": (r"[0-9]{2}", "day of the month, 01 to 31"),
    "hour": (r"[0-9]{2}", "hour of the day, 00 to 23"),
    "hour-letter": (r"[A-X]", "A for the hour from midnight to X for the one before the next"),
    "shift": ("", "the plant's own shift code"),
    "any": (r".", "one letter or digit that says nothing of the time"),
}
_MOST_LETTERS = 60
_INSTEAD = (
    *(("year-digit", "year"), ("month", "month-letter"), ("hour", "hour-letter")),
    *(("hour", "shift"), ("hour-letter", "shift")),
    *(("day-of-year", "month"), ("day-of-year", "month-letter"), ("day-of-year", "day")),
)


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a code says: the day, and the hour (0 to 23) or the shift's code where the code holds one."""

    day: dt.date
    hour: int | None = None
    shift: str | None = None


@dataclass(frozen=True, slots=True)
class DateCode:
    """A description that makes sense: its pieces in order; fixed letters keep their quotes."""

    pieces: tuple[str, ...]


def date_code(description: str) -> DateCode:
    """Read a description; `CalcError` (field 'date_code') says in a sentence what is wrong with it."""
    pieces = tuple(re.findall(r'"[^"]*"|\S+', description.strip()))
    if not pieces:
        raise CalcError("Describe the code by its pieces, such as: year-digit day-of-year shift.", field="date_code")
    if len(description) > _MOST_LETTERS:
        raise CalcError(f"A description has {_MOST_LETTERS} letters at most.", field="date_code")
    for piece in pieces:
        if piece not in PIECES and not re.fullmatch(r'"[^"]+"', piece):
            known = ", ".join(PIECES)
            raise CalcError(f"'{piece[:20]}' is no piece of a code; there are {known}.", field="date_code")
    timed = [piece for piece in pieces if piece in PIECES and piece != "any"]
    twice = next((piece for piece in timed if timed.count(piece) > 1), None)
    if twice:
        raise CalcError(f"The code can have only one {twice}.", field="date_code")
    for one, other in _INSTEAD:
        if one in timed and other in timed:
            raise CalcError(f"Give {one} or {other}, not both.", field="date_code")
    if "day-of-year" not in timed and not ("day" in timed and {"month", "month-letter"} & set(timed)):
        raise CalcError("A code must tell the day: day-of-year, or a month and a day.", field="date_code")
    return DateCode(pieces)


def read_code(code: DateCode, typed: str, *, today: dt.date, shifts: tuple[str, ...] = ()) -> Stamp:
    """Read a typed code; blanks, dashes, points, strokes and colons in it do not matter, nor do small letters.

    today   the plant's day: the year of a single digit is the latest one that has it, and no code is of a day to come
    shifts  the plant's shift codes
    Raises `CalcError` (field 'date_code') with one sentence where it cannot be read.
    """
    parts = [f"({_pattern(piece, shifts)})" for piece in code.pieces]
    found = re.fullmatch("".join(parts), _bare(typed))
    if not found:
        raise CalcError(
            f"'{typed.strip()[:20]}' does not read as a date code here, which is: {' '.join(code.pieces)}.",
            field="date_code",
        )
    said = dict(zip(code.pieces, found.groups(), strict=True))
    _check_month(said)
    day = _day(said, today)
    if day > today:
        raise CalcError(f"The code reads {day}, which has not come yet.", field="date_code")
    hour = _hour(said)
    if hour is not None and hour > 23:
        raise CalcError(f"The code reads hour {hour}, which no day has.", field="date_code")
    shift = next((one for one in shifts if _bare(one) == said["shift"]), None) if "shift" in said else None
    return Stamp(day, hour, shift)


def _bare(typed: str) -> str:
    return re.sub(r"[\s\-./:]", "", typed).upper()


def _pattern(piece: str, shifts: tuple[str, ...]) -> str:
    if piece.startswith('"'):
        return re.escape(_bare(piece.strip('"')))
    if piece == "shift":
        codes = sorted({_bare(shift) for shift in shifts} - {""}, key=len, reverse=True)
        return "|".join(map(re.escape, codes)) or r"(?!)"
    return PIECES[piece][0]


def _day(said: dict[str, str], today: dt.date) -> dt.date:
    if "year" in said:
        return _day_in(2000 + int(said["year"]), said)
    if "year-digit" in said:
        return _day_in(today.year - (today.year - int(said["year-digit"])) % 10, said)
    this_year = _day_in(today.year, said, must=False)
    if this_year <= today:
        return this_year
    return _day_in(today.year - 1, said)


def _day_in(year: int, said: dict[str, str], *, must: bool = True) -> dt.date:
    """Return the day of that year; one that it lacks raises, or is the last day of all where `must` is off."""
    try:
        if "day-of-year" in said:
            number = int(said["day-of-year"])
            day = dt.date(year, 1, 1) + dt.timedelta(days=number - 1)
            if number == 0 or day.year != year:
                raise ValueError
            return day
        return dt.date(year, _month(said), int(said["day"]))
    except ValueError:
        if not must:
            return dt.date.max
        raise CalcError(f"The code names a day that {year} does not have.", field="date_code") from None


def _month(said: dict[str, str]) -> int:
    letter = said.get("month-letter")
    return ord(letter) - ord("A") + 1 if letter else int(said["month"])


def _check_month(said: dict[str, str]) -> None:
    if "day-of-year" not in said and not 1 <= _month(said) <= 12:
        raise CalcError(f"The code reads month {_month(said)}, and a year has 12.", field="date_code")


def _hour(said: dict[str, str]) -> int | None:
    if "hour-letter" in said:
        return ord(said["hour-letter"]) - ord("A")
    return int(said["hour"]) if "hour" in said else None
