"""What the counts and the log were found to say: signals, problems that come back, before and after."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from linelog.reports.tables.asked import Asked
from linelog.reports.tables.stored import Field, Source, machine_and_line, person, stored
from linelog.reports.tables.table import (
    PER_MILLION,
    Row,
    date,
    number,
    text,
    time,
    whole,
    yes_no,
)
from linelog.trends.evidence.before_after import judgements
from linelog.trends.models import Around, RepeatProblem, Signal, TakeUp
from linelog.trends.rates import MEASURES


def _way(asked: Asked, up: bool) -> str:
    return "up" if up else "down"


SIGNALS = stored(
    "signals",
    "Signals",
    "Signals of the control charts, and what was found behind them.",
    Source(Signal.objects.all, "machine", "day", is_time=False),
    (
        Field(whole("signal_id", "Number of the signal."), "pk"),
        *machine_and_line("machine_id"),
        Field(text("measure", "What is counted.", Signal.Measure.choices), "measure"),
        Field(text("rule", "Which chart signalled.", Signal.Rule.choices), "rule"),
        Field(text("way", "Up or down.", (("up", "more"), ("down", "fewer"))), "up", _way),
        Field(date("day", "Production day (by week: its Monday) that signalled."), "day"),
        Field(yes_no("by_week", "Whether weeks are charted, not days."), "by_week"),
        Field(date("began_on", "Day from which the change goes back, by the rule."), "began_on"),
        Field(number("rate_per_million", "Rate from that day to the signal.", PER_MILLION), "rate"),
        Field(number("centre_per_million", "Centre line.", PER_MILLION), "centre"),
        Field(number("limit_per_million", "Control limit, where the rule has one.", PER_MILLION), "limit"),
        Field(whole("counts", "Counted from the day it began to the signal.", "cans"), "counts"),
        Field(whole("made", "Cans begun in that time.", "cans"), "made"),
        Field(yes_no("holds", "Whether the counts as they stand still signal."), "holds"),
        Field(text("found", "What was found behind it; empty: nobody has said."), "found"),
        person("closed_by", "Who said so.", "closed_by_id"),
        Field(time("closed_at", "When."), "closed_at"),
    ),
    day="the day that signalled",
    page="trends:signals",
)


def _last_taken_up(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Return how often each problem of a batch was taken up, and the last of these times."""
    found = TakeUp.objects.filter(problem__gte=rows[0][0], problem__lte=rows[-1][0]).order_by("action_on", "pk")
    last: dict[Any, tuple[Any, ...]] = {}
    for problem, *said, who in found.values_list("problem_id", "cause_found", "action", "action_on", "by_id"):
        times = last[problem][0] + 1 if problem in last else 1
        last[problem] = (times, *said, asked.people.get(who))
    return [last.get(row[0], (0, None, None, None, None)) for row in rows]


REPEATS = stored(
    "repeats",
    "Repeat problems",
    "Problems that come back, as the plant's rule finds them, with what was last done about each.",
    Source(RepeatProblem.objects.all, "machine", "last_on", is_time=False),
    (
        Field(whole("problem_id", "Number of the problem."), "pk"),
        *machine_and_line("machine_id"),
        Field(text("kind", "What comes back.", RepeatProblem.Kind.choices), "kind"),
        Field(text("station", "Station, where it is one's."), "station__name"),
        Field(
            text(
                "method",
                "How it was measured.",
                (("static", "at rest"), ("running", "running"), ("bar", "from the bar")),
            ),
            "method",
        ),
        Field(text("cause", "Cause of spoilage, where it is one."), "cause__name"),
        Field(whole("part_of", "Number of the larger problem it is a part of."), "part_of_id"),
        Field(text("pattern", "How it comes back.", RepeatProblem.Pattern.choices), "pattern"),
        Field(whole("times", "Times among those looked at."), "times"),
        Field(whole("looked_at", "As-found visits, or months, looked at."), "looked_at"),
        Field(
            number("mean_deg", "Mean direction of those times, clock angle seen from the crank.", "degrees"),
            "mean_deg",
        ),
        Field(number("rayleigh_p", "Chance of directions agreeing so well by luck (Rayleigh)."), "rayleigh_p"),
        Field(
            number("comes_back_million", "Median strokes until it was found again.", "million strokes"),
            "comes_back_million",
        ),
        Field(date("noticed_on", "Day at which the rule first held."), "noticed_on"),
        Field(date("last_on", "Day of the last time."), "last_on"),
        Field(yes_no("holds", "Whether the rule still holds."), "holds"),
        Field(text("since", "Whether it came back since it was taken up.", RepeatProblem.Since.choices), "since"),
    ),
    day="the day of the last time",
    page="trends:repeats",
    more=(
        whole("taken_up", "How often somebody took it up."),
        text("cause_found", "The cause found then, the last time."),
        text("action", "What was done then."),
        date("action_on", "Day it was done."),
        text("taken_up_by", "Who wrote it down."),
    ),
    add=_last_taken_up,
)

_AROUND = (
    Field(whole("visit_id", "Number of the visit, the same in every table."), "visit_id"),
    *machine_and_line("machine_id"),
    Field(text("reason", "Why the machine was visited."), "visit__reason"),
    Field(date("day", "Production day of the visit."), "day"),
    Field(whole("window_days", "Days looked at on either side, at the most.", "days"), "window"),
    Field(whole("length_days", "Days there was room for without another visit.", "days"), "length"),
    Field(whole("days_before", "Days with counts before.", "days"), "days_before"),
    Field(whole("days_after", "Days with counts after.", "days"), "days_after"),
    Field(whole("made_before", "Cans begun before.", "cans"), "made_before"),
    Field(whole("made_after", "Cans begun after.", "cans"), "made_after"),
    Field(whole("tear_offs_before", "Tear-offs before.", "cans"), "tear_offs_before"),
    Field(whole("tear_offs_after", "Tear-offs after.", "cans"), "tear_offs_after"),
    Field(whole("spoiled_before", "Spoiled before.", "cans"), "spoiled_before"),
    Field(whole("spoiled_after", "Spoiled after.", "cans"), "spoiled_after"),
)
_AT = {field.column.name: index for index, field in enumerate(_AROUND)}


def _judged(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Add what was expected after each visit; nothing where nothing is told of it."""
    found = judgements(asked.plant)
    nothing = (None, None, None, None, "")
    keys = [(row[_AT["visit_id"]], row[_AT["window_days"]]) for row in rows]
    return [
        [value for measure in MEASURES for value in found.get((measure.key, window, visit), nothing)]
        for visit, window in keys
    ]


_CLAIMS = (("lower", "lower than expected"), ("higher", "higher than expected"))


def _judged_columns(name: str, words: str) -> tuple[Any, ...]:
    return (
        number(f"{name}_expected", f"Expected number of {words} in all days of the window without the visit."),
        number(f"{name}_ratio", "Counted in these days over expected; empty where nothing is told."),
        number(f"{name}_low", "Lower end of its 95 % interval: by itself no claim."),
        number(f"{name}_high", "Upper end; empty where there is none."),
        text(f"{name}_claim", "What is claimed, counting in how many visits are looked at.", _CLAIMS),
    )


BEFORE_AFTER = stored(
    "before_after",
    "Before and after",
    "Counts of the days before and after every signed visit, and what was expected after it without it.",
    Source(Around.objects.all, "machine", "day", is_time=False),
    _AROUND,
    day="the day of the visit",
    page="trends:before_after",
    more=(*_judged_columns("tear_offs", "tear-offs"), *_judged_columns("spoiled", "spoiled cans")),
    add=_judged,
)

TABLES = (SIGNALS, REPEATS, BEFORE_AFTER)
