"""Tables that are worked out, not stored row by row: the ranking, and the bars of the Pareto charts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator

from linelog.production.days import local_day
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.table import PER_MILLION, Extent, Row, Table, date, in_plain, number, text, whole
from linelog.trends.finding_forms import MOST_DAYS
from linelog.trends.models import Fit, Signal
from linelog.trends.pareto import Choice, charts
from linelog.trends.queries.pareto import last_day_made, read_material
from linelog.trends.ranking.refit import KIND
from linelog.trends.ranking.yardstick import above_or_below
from linelog.web.errors import Refused

USUAL_DAYS = 182

_RANKING = (
    text("measure", "What is counted.", Signal.Measure.choices),
    whole("span_days", "Length of the span.", "days"),
    date("since", "First day of the span."),
    date("until", "Last day of the span: the newest day counted."),
    text("line", "Line of the machine."),
    text("machine", "Machine."),
    whole("counts", "Counted in the span.", "cans"),
    number("expected", "What the usual rate would give.", "cans"),
    whole("made", "Cans begun in the span.", "cans"),
    number("rate_per_million", "The machine's own rate.", PER_MILLION),
    number("shrunk_per_million", "Rate after shrinkage toward the fleet.", PER_MILLION),
    number("low_per_million", "Lower end of its 95 % interval.", PER_MILLION),
    number("high_per_million", "Upper end of its 95 % interval.", PER_MILLION),
    number("own_share", "Share of the machine's own rate in it, from 0 to 1."),
    number("usual_per_million", "Usual rate: that of the machine in the middle, by cans.", PER_MILLION),
    text(
        "against_fleet",
        "Above or below only where the interval leaves the usual rate out.",
        (("above", ""), ("no different", ""), ("below", "")),
    ),
)
_FIGURES = ("counts", "expected", "made", "rate", "shrunk", "low", "high", "own")


def _ranked(asked: Asked) -> Iterator[list[Row]]:
    for fit in Fit.objects.filter(plant=asked.plant, kind=KIND).order_by("scope"):
        columns, usual = fit.result.get("columns"), fit.result.get("usual")
        if not columns:
            continue
        measure, _, days = fit.scope.partition(":")
        ends = [dt.date.fromisoformat(fit.rests_on[name]) for name in ("since", "until")]
        rows = []
        for at, pk in enumerate(columns["machine"]):
            names = asked.machines.get(pk)
            if names is None:
                continue
            word = above_or_below(columns["low"][at], columns["high"][at], usual)
            figures = [columns[name][at] for name in _FIGURES]
            rows.append((measure, int(days), *ends, *names, *figures, usual, word))
        yield in_plain(rows, _RANKING, asked.zone)


def counted(rows: Callable[[Asked], Iterator[list[Row]]], *days: int) -> Callable[[Asked], Extent]:
    """Return what says how much there is of a table that is worked out: by making it.

    days  places of the columns with the first and the last day of a row, or of the one day it has
    """

    def extent(asked: Asked) -> Extent:
        made = [row for batch in rows(asked) for row in batch]
        if not (made and days):
            return Extent(len(made), None, None)
        return Extent(len(made), min(row[days[0]] for row in made), max(row[days[-1]] for row in made))

    return extent


RANKING = Table(
    "ranking",
    "Ranking",
    "The machines by their rates after shrinkage, both counts over each span, as stored after the last count.",
    _RANKING,
    _ranked,
    counted(_ranked, 2, 3),
    day="",
    page="trends:ranking",
)

_PARETO = (
    text(
        "chart",
        "What the bars are.",
        (("machine", ""), ("code", "defect code"), ("station", "that the symptom points to"), ("set", "tooling set")),
    ),
    text("bar", "Which machine, code, station or set."),
    text("line", "Line of the machine, where the bar is one's."),
    text("machine", "Machine, where the bar is one's."),
    date("since", "First day made of the span."),
    date("until", "Last day made of the span."),
    whole("occasions", "One defect on one machine and day, however many cans."),
    number("low", "Lower end of its exact 95 % interval."),
    number("high", "Upper end of its exact 95 % interval."),
    number("expected", "What chance alone would give; empty where there is nothing to hold it against."),
    number("p", "Chance of so many or more, corrected for the number of bars (Holm)."),
    text("word", "What is made of it."),
    whole("cans", "Cans found.", "cans"),
)


def _span(asked: Asked) -> tuple[dt.date, dt.date]:
    """Return the span as the page of the charts takes it."""
    today = local_day(asked.plant, asked.at)
    last = min(last_day_made(asked.plant) or today, today)
    until = asked.until or max(last, asked.since or last)
    since = asked.since or until - dt.timedelta(days=USUAL_DAYS - 1)
    if (until - since).days >= MOST_DAYS:
        raise Refused(f"The Pareto charts are of {MOST_DAYS} days at most: choose a shorter span.", field="since")
    return since, until


def _bars(asked: Asked) -> Iterator[list[Row]]:
    since, until = _span(asked)
    rows = []
    for chart in charts(read_material(asked.plant, since, until), Choice()):
        for bar in chart.bars:
            figures = (bar.count, bar.low, bar.high, bar.expected, bar.p_chart, bar.word, bar.cans)
            rows.append((chart.key, bar.label, *asked.named(bar.machine_id), since, until, *figures))
    yield in_plain(rows, _PARETO, asked.zone)


PARETO = Table(
    "pareto",
    "Pareto of findings",
    "The bars of the four Pareto charts with what chance alone would give; without days, of the last half year.",
    _PARETO,
    _bars,
    counted(_bars, 4, 5),
    day="the day made",
    page="trends:pareto",
    by_line=False,
)

TABLES = (RANKING, PARETO)
