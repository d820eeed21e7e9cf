"""Marks on machines from a day to a day. A `?` in a typed mark stands for one letter or digit that was not read."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass

from linelog.calc.misread import UNREAD
from linelog.trends import words


@dataclass(frozen=True, slots=True)
class Bearing:
    """A mark on a machine from a day to a day, both included; no last day while it is in use."""

    mark: str
    machine_id: int
    machine: str
    line: str
    starts_on: dt.date
    ends_on: dt.date | None

    def holds(self, day: dt.date) -> bool:
        """Whether it holds on a day."""
        return self.starts_on <= day and (self.ends_on is None or day <= self.ends_on)

    def days_off(self, day: dt.date) -> int:
        """Return the days between a day and its own; 0 where it holds."""
        if day < self.starts_on:
            return (self.starts_on - day).days
        return max(0, (day - self.ends_on).days) if self.ends_on else 0

    @property
    def days(self) -> str:
        """From when to when, in words."""
        begins = f"from {words.date(self.starts_on)}"
        return f"{begins} to {words.date(self.ends_on)}" if self.ends_on else f"{begins} on"


class Bearers:
    """All marks of a plant with the machines that bore them."""

    def __init__(self, rows: Iterable[Bearing]) -> None:
        self._by_mark: dict[str, list[Bearing]] = {}
        self._by_machine: dict[int, list[Bearing]] = {}
        self.all = tuple(rows)
        for row in self.all:
            self._by_mark.setdefault(row.mark.casefold(), []).append(row)
            self._by_machine.setdefault(row.machine_id, []).append(row)

    def of(self, typed: str) -> list[Bearing]:
        """Return the assignments that a typed mark may mean, the oldest first."""
        return sorted(self._meant(typed), key=_oldest)

    def on(self, typed: str, day: dt.date) -> set[int]:
        """Return the machines that bore on a day what a typed mark may mean."""
        return {row.machine_id for row in self._meant(typed) if row.holds(day)}

    def _meant(self, typed: str) -> list[Bearing]:
        if UNREAD not in typed:
            return self._by_mark.get(typed.casefold(), [])
        pattern = _as_pattern(typed)
        return [row for mark, rows in self._by_mark.items() if pattern.fullmatch(mark) for row in rows]

    def on_machine(self, machine_id: int) -> list[Bearing]:
        """Return the assignments of a machine, the oldest first."""
        return sorted(self._by_machine.get(machine_id, []), key=_oldest)


def _oldest(row: Bearing) -> tuple[dt.date, str, int]:
    return row.starts_on, row.mark, row.machine_id


def _as_pattern(typed: str) -> re.Pattern[str]:
    return re.compile("".join("." if letter == UNREAD else re.escape(letter) for letter in typed.casefold()))


def may_be(typed: str, mark: str) -> bool:
    """Whether a typed mark may mean this one."""
    return bool(_as_pattern(typed).fullmatch(mark.casefold()))
