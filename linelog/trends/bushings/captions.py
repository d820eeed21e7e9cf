"""The life of a bushing in sentences, in the reader's unit."""

from __future__ import annotations

import datetime as dt

from linelog.alignment.bushings import clearance_headline
from linelog.calc.units import Unit
from linelog.trends import words
from linelog.trends.bushings.life import Life
from linelog.web.units import show_um

DAYS_TOLD = 30.0


def headline(life: Life, unit: Unit) -> str:
    """Say how its clearance stands."""
    return clearance_headline(life.last.row if life.last else None, unit)


def growth_words(life: Life, unit: Unit) -> str:
    """Say how fast the clearance grows, with its interval, or why that is not known."""
    wear = life.wear
    if wear is None:
        return f"Its growth is not known. {life.why_not}"
    few = f" This is thin: it rests on {wear.measurements} measurements." if wear.thin else ""
    times = 1.0 if life.by_strokes else DAYS_TOLD  # of a day alone the unit's last digit would show nothing
    low, high = (show_um(times * value, unit, signed=True) for value in (wear.slope_low, wear.slope_high))
    size = show_um(times * wear.slope, unit, signed=True, with_unit=True)
    interval = f"{size} per {life.per} (95 % interval {low} to {high})"
    return f"{'It grows by' if wear.proven else 'No growth is proven:'} {interval}.{few}"


def expected_words(life: Life, today: dt.date) -> str:
    """Say on which day the wear limit is expected, with its interval; empty where nothing can be said."""
    found = life.expected
    if found is None:
        return ""
    until = words.date(found.late) if found.late else "never within ten years"
    if found.on <= today:
        return f"By its growth it passed the wear limit about {words.date(found.on)}."
    between = f"95 % interval {words.date(found.early)} to {until}"
    return f"By its growth it reaches the wear limit about {words.date(found.on)} ({between})."
