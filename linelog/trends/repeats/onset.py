"""Since when a problem comes back: a day with its interval, from what was measured or counted over time."""

from __future__ import annotations

import calendar
import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from linelog.alignment.standing import RUNNING
from linelog.calc.began import FEWEST, UNKNOWN, Began, Counted, Moved, began, began_in_counts
from linelog.trends.repeats.history import Found, History
from linelog.trends.repeats.rule import Kind, Pattern, Problem

#: Patterns that show one way; others are told by how far a station moved, whichever way.
ONE_WAY = (Pattern.SAME_WAY, Pattern.UP, Pattern.DOWN, Pattern.SIDEWAYS)


def with_onsets(history: History, found: Iterable[Problem], done: dict[str, dt.date]) -> list[Problem]:
    """Put into the problems that hold when they began; `done`: by key, the last day something was done about it.

    What came back after that day began after it.
    """
    return [replace(one, began=_onset(history, one, done.get(one.key))) if one.holds else one for one in found]


def _onset(history: History, one: Problem, done_on: dt.date | None) -> Began:
    of_all = one.kind == Kind.MACHINE
    mine = [
        found
        for series in history.series
        if (
            series.method != RUNNING if of_all else (series.station_id, series.method) == (one.station_id, one.method)
        )
        for found in series.found
    ]
    moves = _moves(mine, one)
    return began([moves[n] for n in since_done([move.since for move in moves], done_on)])


def since_done(begins: Sequence[float], done_on: dt.date | None) -> list[int]:
    """Return which of some spans began no sooner than something was done; all of them where these are too few.

    begins  the first day of each, as ordinals
    """
    after = [n for n, day in enumerate(begins) if done_on is not None and day >= done_on.toordinal()]
    return after if len(after) >= FEWEST else list(range(len(begins)))


def _moves(found: Sequence[Found], one: Problem) -> list[Moved]:
    """How far the stations moved from one visit to the next, as a share of their limits, all of a visit together."""
    mean = one.directions.mean_deg if one.directions else None
    way = None if mean is None or one.pattern not in ONE_WAY else math.radians(mean)
    spans: dict[tuple[dt.date, dt.date], list[Moved]] = {}
    for seen in found:
        if seen.left is None or seen.left_visit is None or seen.left_visit.day >= seen.visit.day:
            continue
        x, y = seen.value.x_um - seen.left.x_um, seen.value.y_um - seen.left.y_um
        size = math.hypot(x, y) if way is None else x * math.sin(way) + y * math.cos(way)
        span = seen.left_visit.day, seen.visit.day
        u = math.sqrt(2.0) * seen.value.expanded_um / 2.0 / seen.value.limit_um
        share = size / seen.value.limit_um
        spans.setdefault(span, []).append(Moved(span[0].toordinal(), span[1].toordinal(), share, u))
    ordered = [spans[span] for span in sorted(spans, key=lambda span: span[1])]
    return [
        replace(some[0], share=float(np.mean([one.share for one in some])), u=some[0].u / math.sqrt(len(some)))
        for some in ordered
    ]


def in_months(months: Sequence[dt.date], counts: Sequence[float], expected: Sequence[float]) -> Began:
    """Return since when the counts of whole months stand above the expected ones."""
    return began_in_counts(
        [
            Counted(
                month.toordinal(), month.toordinal() + calendar.monthrange(month.year, month.month)[1], many, usual
            )
            for month, many, usual in zip(months, counts, expected, strict=True)
        ]
    )


def days_of(told: Began | None) -> tuple[dt.date | None, dt.date | None, dt.date | None]:
    """Return lowest, likeliest and highest day."""
    told = told or UNKNOWN
    low, likely, high = (
        None if one is None else dt.date.fromordinal(int(one)) for one in (told.low, told.likely, told.high)
    )
    return low, likely, high
