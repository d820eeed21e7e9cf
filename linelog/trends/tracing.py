"""From a mark and a day to the machine: by dated assignments, and said so where they do not lead to one.

The mark follows the domer tooling, so that it may have moved: only the assignments of the day count. A `?` in a typed
mark stands for one letter or digit that could not be read.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from linelog.calc.misread import UNREAD
from linelog.trends import words
from linelog.trends.bearing import Bearers, Bearing, may_be
from linelog.trends.odds import Likely


class Leads(Enum):
    """Where a finding leads."""

    ONE = "one machine"
    LIKELY = "one machine, most likely"
    MISREAD = "a machine if the mark was misread"
    SEVERAL = "several machines"
    NONE = "no machine"


@dataclass(frozen=True, slots=True)
class Candidate:
    """A machine that may have made it; the assignment that says so, None where the machine was given."""

    machine_id: int
    machine: str
    line: str
    bearing: Bearing | None


@dataclass(frozen=True, slots=True)
class Traced:
    """Where a mark and a day lead, in a sentence; what is doubtful about it; and all that the mark ever stood on.

    likely  the odds of every candidate, where they were asked for
    """

    leads: Leads
    candidates: tuple[Candidate, ...]
    sentence: str
    doubts: tuple[str, ...] = ()
    history: tuple[Bearing, ...] = ()
    likely: Likely | None = None

    @property
    def machine_id(self) -> int | None:
        """The machine that the mark names, where it is one and no other is likelier."""
        return self.candidates[0].machine_id if self.leads in (Leads.ONE, Leads.LIKELY) else None

    @property
    def machine(self) -> str:
        """Its name, or ''."""
        return self.candidates[0].machine if self.machine_id is not None else ""

    @property
    def is_most_likely(self) -> bool:
        """Whether one machine is named, and others beside it."""
        return self.leads is Leads.LIKELY

    @property
    def has_odds(self) -> bool:
        """Whether there are odds to show: another machine than the one named, or none named."""
        return self.leads is not Leads.ONE and self.likely is not None and bool(self.likely.offered)

    @property
    def is_misread(self) -> bool:
        """Whether it leads to a machine only where the mark was misread."""
        return self.leads is Leads.MISREAD


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known of a can: the mark as typed, the day it was made, and the machine where that is known already.

    For the odds: its defect, the finding that it is (not to count as its own like), and whether the day is only the
    one on which it was found.
    """

    mark: str
    day: dt.date
    machine: Candidate | None = None
    code_id: int = 0
    pk: int = 0
    day_is_guess: bool = False


def trace(asked: Asked, bearers: Bearers) -> Traced:
    """Lead from a mark and a day to its machine, to several, or to none."""
    history = tuple(bearers.of(asked.mark)) if asked.mark else ()
    on_day = [row for row in history if row.holds(asked.day)]
    if asked.machine is not None:
        return _given(asked, asked.machine, on_day, history, bearers)
    if not asked.mark:
        return Traced(Leads.NONE, (), "No mark and no machine is given, so it leads to none.")
    found = tuple({row.machine_id: Candidate(row.machine_id, row.machine, row.line, row) for row in on_day}.values())
    if not found:
        return Traced(Leads.NONE, (), _none(asked, history), history=history)
    if len(found) > 1:
        return Traced(Leads.SEVERAL, found, _several(asked, found), history=history)
    (only,) = found
    doubts = _second_marks(only, asked, bearers)
    return Traced(Leads.ONE, found, _one(asked, on_day[0]), doubts, history)


def led_to(asked: Asked, bearers: Bearers) -> int | None:
    """Return the one machine that `trace` leads to, without its words: for thousands of findings at once."""
    if asked.machine is not None:
        return asked.machine.machine_id
    found = bearers.on(asked.mark, asked.day) if asked.mark else set()
    return found.pop() if len(found) == 1 else None


def _given(
    asked: Asked, machine: Candidate, on_day: Sequence[Bearing], history: tuple[Bearing, ...], bearers: Bearers
) -> Traced:
    doubts = _second_marks(machine, asked, bearers) if asked.mark else ()
    if asked.mark and machine.machine_id not in {row.machine_id for row in on_day}:
        where = words.listed(sorted({row.machine for row in on_day})) or "no machine"
        doubts = (f"Mark {asked.mark} was on {where} that day, not on {machine.machine}: one of the two is wrong.",)
    sentence = f"{machine.machine}, {machine.line}: the machine was known when it was entered."
    return Traced(Leads.ONE, (machine,), sentence, doubts, history)


def _one(asked: Asked, row: Bearing) -> str:
    day = words.date(asked.day)
    if UNREAD in asked.mark:
        return f"Of all marks of {day} only {row.mark} fits “{asked.mark}”: {row.machine}, {row.line} ({row.days})."
    return f"Mark {row.mark} was on {row.machine}, {row.line}, on {day} ({row.days})."


def _several(asked: Asked, found: Sequence[Candidate]) -> str:
    day = words.date(asked.day)
    each = words.listed(
        [f"{one.machine} (mark {one.bearing.mark} {one.bearing.days})" for one in found if one.bearing]
    )
    if UNREAD in asked.mark:
        return f"“{asked.mark}” may be a mark of {len(found)} machines on {day}: {each}."
    return (
        f"Mark {asked.mark} was on {len(found)} machines on {day}: {each}. The mark alone does not tell them apart."
    )


def _none(asked: Asked, history: Sequence[Bearing]) -> str:
    day = words.date(asked.day)
    if not history:
        said = "fits no mark" if UNREAD in asked.mark else "is no mark"
        again = "look at the can again, or at the marks in the set-up"
        return f"“{asked.mark}” {said} that any machine is known to have carried: {again}."
    first = history[0]
    if asked.day < first.starts_on:
        return (
            f"On {day} no machine carried mark {asked.mark} yet: the first was {first.machine}, {first.days}. "
            "The day or the mark is wrong, or an assignment is missing."
        )
    each = words.listed([f"{row.machine} {row.days}" for row in history])
    return f"No machine carried mark {asked.mark} on {day}; it was on {each}."


def _second_marks(machine: Candidate, asked: Asked, bearers: Bearers) -> tuple[str, ...]:
    """Say where the machine carried other marks that day as well."""
    here = [row for row in bearers.on_machine(machine.machine_id) if row.holds(asked.day)]
    others = [row for row in here if not may_be(asked.mark, row.mark)]
    return tuple(
        f"{machine.machine} carried mark {row.mark} that day as well ({row.days}): look for findings under both."
        for row in others
    )
