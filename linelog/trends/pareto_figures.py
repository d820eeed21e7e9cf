"""A Pareto chart as a plain dict for plotly: bars that lie, and beside each the counts that chance would leave it.

A bar that ends within or below what chance leaves is grey. Its own interval, of the rate behind the count, is in the
table: drawn here it seemed to say something else than the colour.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linelog.trends.pareto import CHANCE, MORE, UNKNOWN, Bar, Chart
from linelog.web import plotly
from linelog.web.plotly import Part, typed
from linelog.web.templatetags.units import count

MOST_BARS = 15  # more are in the table
BAR_PX, AIR_PX, LEAST_PX = 34, 96, 320
#: Fill and pattern of each word: the shape tells them apart without the colour.
LOOKS = {MORE: ("--out", "/"), CHANCE: ("--rule", ""), UNKNOWN: ("--soft", ".")}


def pareto_figure(chart: Chart) -> Part | None:
    """Return the chart of the tallest bars, or None where there are none."""
    bars = [bar for bar in chart.bars if bar.count > 0][:MOST_BARS]
    if not bars:
        return None
    places = [_label(bar) for bar in bars]
    data = [_bar_trace(word, bars, places) for word in LOOKS if any(bar.word == word for bar in bars)]
    data += _expected_traces([(bar, place) for bar, place in zip(bars, places, strict=True) if bar.most is not None])
    return {"data": data, "layout": _layout(bars, places)}


def _label(bar: Bar) -> str:
    name = bar.label if len(bar.label) <= 34 else f"{bar.label[:33]}…"
    return plotly.text(name)


def _bar_trace(word: str, bars: Sequence[Bar], places: Sequence[str]) -> Part:
    mine = [(bar, place) for bar, place in zip(bars, places, strict=True) if bar.word == word]
    color, pattern = LOOKS[word]
    shown = [float(bar.count) for bar, _ in mine]
    return {
        "type": "bar",
        "orientation": "h",
        "name": word,
        "x": typed(shown),
        "y": [place for _, place in mine],
        "marker": {
            "color": color,
            "line": {"color": "--ink", "width": 1},
            "pattern": {"shape": pattern, "fillmode": "overlay", "fgcolor": "--sheet", "size": 8},
        },
        "customdata": [[_words(bar)] for bar, _ in mine],
        "hovertemplate": "%{customdata[0]}<extra></extra>",
    }


def _words(bar: Bar) -> str:
    expected = ""
    if bar.expected is not None:
        expected = (
            f"<br>expected {bar.expected:.1f}, by chance {bar.least:.0f} to {bar.most:.0f}; chance {bar.chance}"
        )
    return (
        f"<b>{plotly.text(bar.label)}</b>: {bar.count} ({bar.low:.1f} to {bar.high:.1f}){expected}"
        f"<br>{count(bar.cans)} cans found<br>{bar.word}"
    )


def _expected_traces(told: Sequence[tuple[Bar, str]]) -> list[Part]:
    """Return what was expected, and from where to where chance alone would bring the count."""
    if not told:
        return []
    expected = np.array([bar.expected for bar, _ in told], dtype=np.float64)
    least, most = (np.array([getattr(bar, end) for bar, _ in told], dtype=np.float64) for end in ("least", "most"))
    trace = plotly.markers("expected, with what chance leaves", "--accent", "diamond", size=11)
    del trace["hovertemplate"]
    interval = plotly.bars(most - expected, expected - least, "--accent") | {"thickness": 3, "width": 8}
    places = {"x": typed(expected), "y": [place for _, place in told]}
    return [trace | places | {"error_x": interval, "hoverinfo": "skip"}]


def _layout(bars: Sequence[Bar], places: Sequence[str]) -> Part:
    top = max(max(float(bar.count), bar.most or 0.0) for bar in bars)
    widest = max(len(place) for place in places)
    return {
        "height": max(BAR_PX * len(bars) + AIR_PX, LEAST_PX),
        "margin": {"l": min(24 + 8 * widest, 300), "r": 24, "t": 34, "b": 56},
        "barmode": "overlay",
        "bargap": 0.35,
        "xaxis": {
            "range": [0.0, 1.05 * top],
            "title": {"text": "Occasions"},
            "zeroline": False,
        },
        "yaxis": {"categoryorder": "array", "categoryarray": list(reversed(places)), "ticks": ""},
        "legend": {"orientation": "h", "x": 0.0, "y": 1.0, "yanchor": "bottom", "traceorder": "normal"},
        "showlegend": True,
    }
