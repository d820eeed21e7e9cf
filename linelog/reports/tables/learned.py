"""What the counts and the log were found to say: signals, problems that come back, before and after."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import Any

from linelog.alignment.models import Visit
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.stored import Field, Source, machine_and_line, person, stored, visit_number
from linelog.reports.tables.table import (
    PER_MILLION,
    Column,
    Row,
    Table,
    date,
    in_plain,
    number,
    text,
    time,
    whole,
    yes_no,
)
from linelog.reports.tables.worked_out import counted
from linelog.trends.control.queries import OF_LINE
from linelog.trends.evidence.before_after import fit_of, judgements
from linelog.trends.evidence.before_after_fit import WINDOWS
from linelog.trends.models import RepeatProblem, Signal, TakeUp
from linelog.trends.rates import MEASURES

SIGNALS = stored(
    "signals",
    "Signals",
    "Signals of machines against their line, and what was found behind them.",
    Source(lambda: Signal.objects.filter(OF_LINE), "machine", "day", is_time=False),
    (
        Field(whole("signal_id", "Number of the signal."), "pk"),
        *machine_and_line("machine_id"),
        Field(text("measure", "What is counted.", Signal.Measure.choices), "measure"),
        Field(date("day", "Production day that signalled."), "day"),
        Field(date("began_on", "Day from which the sum that signalled goes back."), "began_on"),
        Field(date("back_on", "Day on which the rate was seen to be back; empty: not yet, or not seen."), "back_on"),
        Field(number("rate_per_million", "Rate from the day it began to the signal.", PER_MILLION), "rate"),
        Field(number("expected_per_million", "Rate that its line led to expect.", PER_MILLION), "centre"),
        Field(whole("counts", "Counted from the day it began to the signal.", "cans"), "counts"),
        Field(whole("made", "Cans begun in that time.", "cans"), "made"),
        Field(text("aside", "Why it was set aside unanswered; empty: it was not.", Signal.Aside.choices), "aside"),
        Field(text("cause", "What was found; empty: nobody has said.", Signal.Cause.choices), "cause"),
        Field(text("note", "A note beside it."), "found"),
        person("owner", "Who goes on with it.", "owner_id"),
        Field(whole("visit_id", "Number of the visit that it belongs to, where one is named."), "visit_id"),
        Field(whole("finding_id", "Number of the finding that it belongs to, where one is named."), "finding_id"),
        person("closed_by", "Who said so.", "closed_by_id"),
        Field(time("closed_at", "When."), "closed_at"),
    ),
    day="the day that signalled",
    page="trends:signals",
)


def _last_taken_up(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Return how often each problem of a batch was taken up, and the last of these times."""
    found = TakeUp.objects.filter(problem__gte=rows[0][0], problem__lte=rows[-1][0])
    last: dict[Any, tuple[Any, ...]] = {}
    columns = ("problem_id", "cause_found", "action", "action_on", "due_on", "owner_id", "by_id")
    for problem, *said, owner, who in found.order_by("at", "pk").values_list(*columns):
        times = last[problem][0] + 1 if problem in last else 1
        last[problem] = (times, *said, asked.people.get(owner), asked.people.get(who))
    return [last.get(row[0], (0, None, None, None, None, None, None)) for row in rows]


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
        Field(text("defect", "Defect of findings, where it is one."), "code__name"),
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
            number(
                "plain_share",
                "Two visits in a row found it at this share of its limit or further, where two were enough.",
                "share of the limit",
            ),
            "plain_share",
        ),
        Field(number("plain_chance", "Chance of two such visits by luck."), "plain_chance"),
        Field(
            number("comes_back_million", "Median strokes until it was found again.", "million strokes"),
            "comes_back_million",
        ),
        Field(date("began_low", "Began after this day with 95 %; empty: may be older than the log."), "began_low"),
        Field(date("began_on", "Likeliest day on which it began; empty: not told."), "began_on"),
        Field(date("began_high", "Began before this day with 95 %; empty: no day can be told."), "began_high"),
        Field(
            date("noticed_on", "Day of the visit at which the rule first held; of a month, its first day."),
            "noticed_on",
        ),
        Field(date("last_on", "Day of the last time; of a month, its first day."), "last_on"),
        Field(yes_no("holds", "Whether the rule still holds."), "holds"),
        Field(text("since", "Whether it came back since it was taken up.", RepeatProblem.Since.choices), "since"),
    ),
    day="the day of the last time",
    page="trends:repeats",
    more=(
        whole("taken_up", "How often somebody took it up."),
        text("cause_found", "The cause found then, the last time."),
        text("action", "What was done then."),
        date("action_on", "Day it was done; empty while it is in work."),
        date("due_on", "By when it was to be done."),
        text("owner", "Who sees to it."),
        text("taken_up_by", "Who wrote it down."),
    ),
    add=_last_taken_up,
)

_CLAIMS = (("lower", "lower than expected"), ("higher", "higher than expected"))


def _judged(name: str, words: str) -> tuple[Column, ...]:
    return (
        whole(f"{name}_before", f"Number of {words} before.", "cans"),
        whole(f"{name}_after", f"Number of {words} after.", "cans"),
        number(f"{name}_expected", f"Expected number of {words} after it without the visit."),
        number(f"{name}_ratio", "Counted after it over expected; empty where nothing is told."),
        number(f"{name}_low", "Lower end of its 95 % interval: by itself no claim."),
        number(f"{name}_high", "Upper end; empty where there is none."),
        text(f"{name}_claim", "What is claimed, counting in how many visits are looked at.", _CLAIMS),
    )


_BEFORE_AFTER = (
    visit_number("").column,
    text("line", "Line of the machine."),
    text("machine", "Machine."),
    text("reason", "Why the machine was visited.", Visit.Reason.choices),
    date("day", "Production day of the visit, which is on neither side."),
    whole("window_days", "Days looked at on either side.", "days"),
    whole("made_before", "Cans begun before.", "cans"),
    whole("made_after", "Cans begun after.", "cans"),
    *_judged("tear_offs", "tear-offs"),
    *_judged("spoiled", "spoiled cans"),
)
_NOTHING = (None,) * len(_judged("", ""))


def _before_after(asked: Asked) -> Iterator[list[Row]]:
    for window in WINDOWS:
        rates = [judgements(fit_of(asked.plant, measure.key, window)) for measure in MEASURES]
        visits = {pk: one for rate in rates for pk, one in rate.items()}
        reasons = dict(Visit.objects.filter(pk__in=visits).values_list("pk", "reason"))
        rows = []
        for pk, one in visits.items():
            if one.machine not in asked.machines or not asked.holds(one.day):
                continue
            both = ((*rate[pk].counts, *rate[pk].told) if pk in rate else _NOTHING for rate in rates)
            names, reason = asked.named(one.machine), reasons.get(pk)
            rows.append((pk, *names, reason, one.day, window, *one.made, *chain.from_iterable(both)))
        yield in_plain(rows, _BEFORE_AFTER, asked.zone)


BEFORE_AFTER = Table(
    "before_after",
    "Before and after",
    "Counts of the days before and after the signed visits of three years, and what was expected without them.",
    _BEFORE_AFTER,
    _before_after,
    counted(_before_after, 4),
    day="the day of the visit",
    page="trends:before_after",
)

TABLES = (SIGNALS, REPEATS, BEFORE_AFTER)
