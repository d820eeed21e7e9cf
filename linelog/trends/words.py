"""How numbers, spans and places of a trend read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Protocol

from django.utils.text import get_text_list


class Named(Protocol):
    """A station, or what was read of one."""

    @property
    def name(self) -> str:
        """How the plant calls it."""


NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")
SEATS = {"": "", "front": "front seat", "rear": "rear seat"}
STAGES = {"as_found": "as found", "as_left": "as left"}
VERDICT_STATES = {"in": "in", "not proven": "unsure", "out": "out"}


def number(value: int) -> str:
    """Begin a sentence with a number: a word up to ten, else the figure."""
    return NUMBERS[value] if 0 <= value < len(NUMBERS) else str(value)


def plural(value: int, one: str, more: str = "") -> str:
    """Return 'one' or 'more' after a figure: '3 visits'."""
    return f"{value} {one if value == 1 else more or one + 's'}"


def listed(names: Sequence[str]) -> str:
    """Write names one after the other: 'a, b and c'."""
    return get_text_list(list(names), "and")


def place(station: Named, seat: str) -> str:
    """Name a station and, where it has two, its seat."""
    return f"{station.name}, {SEATS[seat]}" if seat else station.name


def ago(day: dt.date, today: dt.date) -> str:
    """Say how long ago a day was."""
    days = (today - day).days
    if days <= 0:
        return "today"
    if days == 1:
        return "yesterday"
    if days < 60:
        return f"{days} days ago"
    months = round(days / 30.4)
    return f"{months} months ago" if months < 24 else f"{days / 365.25:.1f} years ago"


def date(day: dt.date) -> str:
    """Write a day so that no reader takes the month for the day (ISO 8601)."""
    return day.isoformat()
