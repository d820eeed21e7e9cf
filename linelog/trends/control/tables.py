"""The numbers under the control charts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelog.trends import words
from linelog.trends.control.queries import Watched
from linelog.trends.control.said import rate_words
from linelog.web.templatetags.units import count

MOST_ROWS = 120


@dataclass(frozen=True, slots=True)
class Row:
    """One point of the charts, as text."""

    day: str
    shift: str
    made: str
    counts: str
    rate: str
    centre: str
    limits: str
    distance: str
    state: str
    css: str


def numbers(seen: Watched) -> list[Row]:
    """Return the newest points of the span, the newest first."""
    drawn = seen.drawn
    if drawn is None:
        return []
    shown = np.flatnonzero(drawn.day >= np.datetime64(seen.since, "D"))[::-1][:MOST_ROWS]
    rows = []
    for at in shown.tolist():
        rate, centre, lower, upper = (
            rate_words(drawn.measure, float(part[at]))
            for part in (drawn.rate, drawn.centre, drawn.lower, drawn.upper)
        )
        above = drawn.rate[at] > drawn.centre[at]
        state = ("above" if above else "below") if drawn.beyond[at] else "within"
        rows.append(
            Row(
                day=words.date(drawn.day[at].item()),
                shift=seen.shifts[at] if seen.shifts else "",
                made=count(drawn.made[at]),
                counts=count(drawn.counts[at]),
                rate=rate,
                centre=centre,
                limits=f"{lower} to {upper}",
                distance=f"{drawn.z[at]:+.1f}".replace("-", "−"),
                state=state,
                css="in" if state == "within" else "out" if above else "unsure",
            )
        )
    return rows
