"""The one rule by which a machine is due, for the front page, its own page and the plan."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from linelog.calc.drift import DueBy, due_day
from linelog.trends import words

WAITS = "What is newer in its log is being worked out: its risk and what waiting costs follow."


@dataclass(frozen=True, slots=True)
class Trigger:
    """Something that makes a machine due at once: on which day, what, and what was noted of it.

    is_jolt  whether it may have moved something, so that nobody knows any more how the stations stand
    answered_on  the day of the visit that answered it already: it found every station in, so that it is no alignment
    """

    on: dt.date
    what: str
    note: str = ""
    is_jolt: bool = False
    answered_on: dt.date | None = None

    @property
    def words(self) -> str:
        """How it reads."""
        return f"{self.what} on {words.date(self.on)}" + (f" ({self.note})" if self.note else "")


@dataclass(frozen=True, slots=True)
class Risk:
    """When the chance that any station is out reaches the plant's risk, and the likeliest place then.

    million_left  negative where it has passed; a_day_million: strokes a day, None where nothing is counted
    counted_to    the last production day that the strokes include
    as_left       whether it stood at that risk when it was left already
    """

    place: str
    percent: float
    million_left: float
    a_day_million: float | None
    counted_to: dt.date
    as_left: bool = False


@dataclass(frozen=True, slots=True)
class StandsOut:
    """A station that is out, worn, or probably out when running: which, how, its share of the limit, since when."""

    station: int
    place: str
    word: str
    severity: float
    since: dt.date

    @property
    def words(self) -> str:
        """How it reads."""
        return f"{self.place} is {self.word}, {self.severity:.2f} of its limit"


@dataclass(frozen=True, slots=True)
class Due:
    """Whether a machine is due, since when or until when, by what (None: never measured), and how that reads."""

    is_due: bool
    on: dt.date | None
    words: str
    by: DueBy | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the rule looks at: last signed visit, time limit, the risk where it is known, what has happened since.

    out       the stations that are proven out as they stand and the bushings that are worn out, the worst first
    probably  those that are probably out when running, and not measured so
    torn_in_line  a tear-off alarm that the last visit answered: it makes nothing due
    overtaken  whether its log has gone on since its risk was worked out, so that none is known
    """

    last: dt.date | None
    longest_days: int
    risk: Risk | None = None
    triggers: Sequence[Trigger] = ()
    out: Sequence[StandsOut] = ()
    probably: Sequence[StandsOut] = ()
    torn_in_line: Trigger | None = None
    overtaken: bool = False


def due(facts: Facts, today: dt.date, producing: dt.date | None = None) -> Due:
    """Find what makes a machine due: what is out as it stands, else the earliest of what happened, risk and time.

    today      by the wall clock: the time limit is a day of the calendar
    producing  the production day where it is another: the risk grows with the cans of such days, and a day that has
               not begun has made none

    Never measured is due. Where nothing else makes it due, a station that is probably out when running makes a
    running measurement due, and nothing more.
    """
    if facts.last is None:
        return Due(True, None, "due: never measured", None, "It was never measured.")
    if facts.out:
        return _out(facts)
    found = _by_wear(facts, facts.last, today, producing or today)
    return _to_measure(facts) if facts.probably and not found.is_due else found


def _out(facts: Facts) -> Due:
    first = facts.out[0]
    why = "; ".join([*(one.words for one in facts.out), *(one.words for one in facts.triggers)])
    short = f"due since {words.date(first.since)}: {first.place} {first.word}"
    return Due(True, first.since, short, DueBy.OUT, f"{why}.")


def _to_measure(facts: Facts) -> Due:
    first = facts.probably[0]
    why = "; ".join(one.words for one in facts.probably)
    return Due(
        True,
        first.since,
        f"running measurement due: {first.place} {first.word}",
        DueBy.RUNNING,
        f"{why}. No running value proves it: measure it running; nothing is to be opened for that.",
    )


def _by_wear(facts: Facts, last: dt.date, today: dt.date, producing: dt.date) -> Due:
    """Find the earliest of what happened (at once), the risk, and the time limit."""
    limit = last + dt.timedelta(days=facts.longest_days)
    if facts.triggers:
        first = min(facts.triggers, key=lambda one: one.on)
        why = "; ".join(one.words for one in facts.triggers)
        return Due(
            True, first.on, f"due since {words.date(first.on)}: {first.what.lower()}", DueBy.TRIGGER, f"{why}."
        )
    by_risk = _risk_day(facts.risk, limit)
    if by_risk is not None and facts.risk is not None:
        how = "was left at more than" if facts.risk.as_left else "reaches"
        unseen = ", which the last visit did not measure" if by_risk < last else ""
        why = f"The risk that a station is out {how} {facts.risk.percent:g} %, likeliest {facts.risk.place}{unseen}."
        return _said(by_risk, producing, DueBy.RISK, f"risk at {facts.risk.place}{unseen}", why)
    why = f"{facts.longest_days} days since the last visit, the longest the plant allows."
    if facts.overtaken:
        why += f" {WAITS}"
    return _said(limit, today, DueBy.TIME, "time", why)


def _risk_day(risk: Risk | None, limit: dt.date) -> dt.date | None:
    """Return the day on which the risk is reached where that comes before the time limit."""
    if risk is None:
        return None
    from_counts = (limit - risk.counted_to).days
    found = due_day(
        strokes_left_million=risk.million_left,
        strokes_a_day_million=risk.a_day_million or 0.0,
        days_left=from_counts,
        triggered=False,
    )
    if found.by is not DueBy.RISK:
        return None
    if risk.million_left > 0.0:
        return risk.counted_to + dt.timedelta(days=found.days)
    overdue = risk.million_left / risk.a_day_million if risk.a_day_million else 0.0
    passed = risk.counted_to + dt.timedelta(days=max(round(overdue), -3650))
    return passed if passed < limit else None


def _said(on: dt.date, today: dt.date, by: DueBy, short: str, why: str) -> Due:
    if on <= today:
        return Due(True, on, f"due since {words.date(on)}: {short}", by, why)
    return Due(False, on, f"due by {words.date(on)}: {short}", by, why)
