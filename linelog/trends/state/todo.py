"""What is to be done at a machine next, why, and what waiting costs: one line for every page."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import Enum
from typing import Any

from linelog.calc.money import CostRates, cost_of
from linelog.calc.station_state import State
from linelog.trends import words
from linelog.trends.due.rule import Trigger
from linelog.trends.ranking.yardstick import MUCH_MORE, Against
from linelog.trends.state.outlook import MachineState
from linelog.trends.state.work import Kind

WEEK = 7.0
#: Where a machine tears cans and stands in line: shop practice, no source.
ELSEWHERE = "tools and their fit, metal, lubrication, strip air, hold-down and timing"


class Do(Enum):
    """What kind of thing is to be done."""

    ALIGN = "align"
    ELSEWHERE = "not alignment"
    MEASURE = "measure"
    MEASURE_RUNNING = "measure running"
    NOTHING = "nothing now"


CSS = {Do.ALIGN: "out", Do.ELSEWHERE: "out", Do.MEASURE: "unsure", Do.MEASURE_RUNNING: "unsure", Do.NOTHING: "in"}


@dataclass(frozen=True, slots=True)
class Todo:
    """The line: what to do and why, in whole sentences; since when; a week of waiting in the plant's money.

    short   what to do in a list
    a_week  None where that is not known yet; is_more: whether it is what the machine tears beyond the usual rate
    """

    do: Do
    short: str
    what: str
    why: str
    since: dt.date | None
    a_week: float | None
    is_more: bool
    hours: float

    @property
    def css(self) -> str:
        """The class that gives the word its shape."""
        return CSS[self.do]

    @property
    def is_work(self) -> bool:
        """Whether anything is to be done now."""
        return self.do is not Do.NOTHING


def todo(state: MachineState) -> Todo:
    """Decide what is to be done next at a machine."""
    elsewhere = torn_elsewhere(state)
    if elsewhere is not None:
        return _elsewhere(state, elsewhere)
    if state.is_out:
        return _said(state, Do.ALIGN, align_words(state), state.due.why)
    if state.facts.torn_in_line is not None:
        return _torn_in_line(state, state.facts.torn_in_line)
    if not state.due.is_due:
        return _said(state, Do.NOTHING, _nothing(state), state.due.why)
    if state.work.kind is Kind.MEASURE_RUNNING:
        first = ", ".join(one.place for one in state.facts.probably)
        return _said(state, Do.MEASURE_RUNNING, f"Measure it running: {first}.", state.due.why)
    if state.facts.last is None:
        return _said(state, Do.MEASURE, "Take a first baseline: sweep every station as it is found.", state.due.why)
    what = "every station" if state.work.all_swept else ", ".join(state.work.sweeps)
    return _said(state, Do.MEASURE, f"Check it: sweep {what}; open only what is found out.", state.due.why)


def torn_elsewhere(state: MachineState) -> Against | None:
    """Return how it stands against the fleet where it tears far more than that and than its misalignment explains.

    Never measured, jolted since, or a bushing worn out: then it is open how it stands, or plain what to do.
    """
    against = state.against
    if against is None or against.word != "above" or state.facts.last is None or state.worn:
        return None
    jolted = any(one.is_jolt for one in state.facts.triggers)
    return against if not jolted and against.times >= MUCH_MORE * state.explained else None


def need_key(state: MachineState, found: Todo) -> tuple[Any, ...]:
    """Sort key: what is not alignment, then what is to be done by what waiting costs; by standing where not known."""
    worst = state.worst.worst_key if state.worst else (len(State), 0.0)
    first = found.do is not Do.ELSEWHERE
    return (first, not found.is_work, -(found.a_week or 0.0), worst, not state.due.is_due, state.machine.name)


def align_words(state: MachineState) -> str:
    """Say what an alignment does: bushings first, since every station is measured from the line they carry."""
    bushings = [str(one.station) for one in state.worn]
    stations = [str(one.station) for one in state.stand if one.is_out]
    said = []
    if bushings:
        said.append(f"Renew the {words.listed([name.lower() for name in bushings])}, then sweep every station anew.")
    if stations:
        said.append(f"Align it: open {words.listed(stations)}.")
    return " ".join(said)


def more_a_week(state: MachineState) -> float | None:
    """Return what its tear-offs beyond the fleet's usual rate cost in a week, by what is counted alone."""
    plant, against = state.machine.line.plant, state.against
    if against is None:
        return None
    days = (against.until - against.since).days + 1
    more = (against.rate - against.usual) * against.cans / 1e6 / days * WEEK
    rates = CostRates(plant.can_cost, plant.tear_off_clear_minutes, plant.minute_value)
    return float(cost_of(0.0, max(more, 0.0), rates).total)


def _look_elsewhere(state: MachineState) -> tuple[str, str]:
    """Say what to look at, short for a list and whole."""
    first = f"{words.listed(state.happened)}; then at " if state.happened else ""
    short = f"Not alignment: look at {words.listed(state.happened) if state.happened else ELSEWHERE}."
    return short, f"Not alignment: look at {first}{ELSEWHERE}."


def _torn_in_line(state: MachineState, alarm: Trigger) -> Todo:
    """Say of a tear-off alarm that the last visit answered it."""
    short, what = _look_elsewhere(state)
    found = words.date(alarm.answered_on) if alarm.answered_on else ""
    why = (
        f"{alarm.what}: {alarm.note}. The visit of {found} found every station in, it tore no less before, and "
        "nothing has happened since that could have moved one."
    )
    if state.due.is_due:
        why += f" A check is due besides: {state.due.why[:1].lower()}{state.due.why[1:]}"
    return Todo(Do.ELSEWHERE, short, what, why, alarm.answered_on, more_a_week(state), True, state.hours)


def _elsewhere(state: MachineState, against: Against) -> Todo:
    short, what = _look_elsewhere(state)
    in_line = (
        "every station was last found or left within its limit"
        if not state.is_out
        else (f"its misalignment explains {state.explained:.1f} times at the most")
    )
    why = (
        f"It tears {against.times:.1f} times the usual rate ({against.rate_text} per million, {against.interval}, "
        f"against {against.usual:.1f}); {in_line}."
    )
    if state.is_out:
        what = f"{what} Beside that: {align_words(state)[:1].lower()}{align_words(state)[1:]}"
        why = f"{why} {state.due.why}"
    elif state.due.is_due:
        why += f" A check is due besides: {state.due.why[:1].lower()}{state.due.why[1:]}"
    return Todo(Do.ELSEWHERE, short, what, why, against.since, more_a_week(state), True, state.hours)


def _nothing(state: MachineState) -> str:
    if state.due.on is None:
        return "Nothing now."
    return f"Nothing now: the next check is due by {words.date(state.due.on)}."


def _said(state: MachineState, do: Do, what: str, why: str) -> Todo:
    back = "; ".join(one.what for one in state.comes_back)
    why = f"{why} Comes back: {back}." if back else why
    since = state.due.on if state.due.is_due else None
    return Todo(do, what, what, why, since, state.a_week_known, False, state.hours)
