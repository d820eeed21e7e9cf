"""What a table to take away is: named, typed columns with their meaning, and rows that come in batches.

Lengths are in um and mm, slopes in mm/m, temperatures in °C, whoever takes
them: the unit stands in the column's name.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice
from typing import Any, TypeVar

from linelog.reports.tables.asked import Asked
from linelog.web.permissions import Permission

BATCH = 5_000
Plain = str | int | float | bool | dt.date | dt.datetime | None
Row = tuple[Any, ...]  # of plain values
PER_MILLION = "per million cans"
Item = TypeVar("Item")


class Kind(StrEnum):
    """What a column holds; the words stand in the data dictionary."""

    TEXT = "text"
    WHOLE = "whole number"
    NUMBER = "number"
    YES_NO = "yes or no"
    DATE = "date"
    TIME = "time"


@dataclass(frozen=True, slots=True)
class Column:
    """A column. `unit` is empty where it has none; `codes` are the values it may hold, each with what it means."""

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    codes: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Extent:
    """How many rows there are and of which days; None without a row, or where rows have no day."""

    rows: int
    first: dt.date | None
    last: dt.date | None


@dataclass(frozen=True)
class Table:
    """A table. `rows` yields it in batches, `extent` says how much there is of it.

    day     which day 'from' and 'to' choose by; empty: the table is of today and takes no days
    by_line whether it can be of one line alone
    page    name of the page that shows such rows
    """

    name: str
    title: str
    about: str
    columns: tuple[Column, ...]
    rows: Callable[[Asked], Iterator[list[Row]]]
    extent: Callable[[Asked], Extent]
    day: str
    page: str
    by_line: bool = True
    permission: Permission = Permission.VIEW


def text(name: str, meaning: str, codes: Iterable[tuple[Any, Any]] = ()) -> Column:
    """Return a column of text, or of one of some codes."""
    return Column(name, Kind.TEXT, meaning, codes=tuple((str(code), str(label)) for code, label in codes if code))


def whole(name: str, meaning: str, unit: str = "") -> Column:
    """Return a column of whole numbers."""
    return Column(name, Kind.WHOLE, meaning, unit)


def number(name: str, meaning: str, unit: str = "") -> Column:
    """Return a column of numbers."""
    return Column(name, Kind.NUMBER, meaning, unit)


def yes_no(name: str, meaning: str) -> Column:
    """Return a column of true and false."""
    return Column(name, Kind.YES_NO, meaning)


def date(name: str, meaning: str) -> Column:
    """Return a column of days."""
    return Column(name, Kind.DATE, meaning)


def time(name: str, meaning: str) -> Column:
    """Return a column of times, which are the plant's own."""
    return Column(name, Kind.TIME, meaning)


def batches(items: Iterable[Item], size: int = BATCH) -> Iterator[list[Item]]:
    """Cut items into lists of at most so many."""
    rest = iter(items)
    while batch := list(islice(rest, size)):
        yield batch


def plain(value: Any, kind: Kind, zone: dt.tzinfo) -> Plain:
    """Return a stored value as it leaves: times of the plant, to the second; empty text is no value."""
    if value is None or value == "":
        return None
    if kind is Kind.TIME:
        local: dt.datetime = value.astimezone(zone).replace(microsecond=0)
        return local
    if kind is Kind.NUMBER:
        return float(value)
    kept: Plain = value
    return kept


def in_plain(rows: Iterable[Sequence[Any]], columns: Sequence[Column], zone: dt.tzinfo) -> list[Row]:
    """Return rows of stored values as they leave."""
    kinds = [column.kind for column in columns]
    return [tuple(plain(value, kind, zone) for value, kind in zip(row, kinds, strict=True)) for row in rows]
