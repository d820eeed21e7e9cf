"""The key to the chart over time, in words beside each sign."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.alignment.standing import RUNNING, STATIC
from linelog.trends import words
from linelog.trends.panels import COLORS, DASHES
from linelog.trends.trend import Trend

#: Plotly's dashes as SVG has them.
DASHARRAYS = {"dot": "2 4", "dash": "8 5", "dashdot": "8 4 2 4", "longdash": "14 5", "longdashdot": "14 4 2 4"}


@dataclass(frozen=True, slots=True)
class KeyLine:
    """The line of one place: its number among the colours and its dashes."""

    name: str
    color: int
    dashes: str


@dataclass(frozen=True, slots=True)
class Key:
    """Which signs the chart has."""

    offsets: bool
    lines: tuple[KeyLine, ...]
    has_static: bool
    has_running: bool
    has_amended: bool
    any_beyond: bool


def key_of(trend: Trend) -> Key:
    """Return the key of what is drawn."""
    methods = {series.method for series in trend.offsets}
    places = {series.number: words.place(series.station, series.seat) for series in trend.offsets}
    return Key(
        offsets=trend.offsets_enough,
        lines=tuple(
            KeyLine(name, number % len(COLORS) + 1, DASHARRAYS[DASHES[number % len(DASHES)]])
            for number, name in places.items()
        ),
        has_static=STATIC in methods,
        has_running=RUNNING in methods,
        has_amended=any(value.amended for series in trend.offsets for value in series.values),
        any_beyond=any(rate is not None and bool(rate.chart.beyond.any()) for rate in trend.rates.values()),
    )
