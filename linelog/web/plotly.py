"""Small parts of which a plotly figure is made, as plain dicts.

Numbers travel as typed arrays, not lists: they are written and read many times faster. Colours are names of the
page's own custom properties ('--accent'); the browser puts in what they are, light or dark.
"""

from __future__ import annotations

import base64
import calendar
import datetime as dt
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Part = dict[str, Any]
DAY_MS = 86_400_000.0


def typed(values: ArrayLike) -> Part:
    """Encode numbers as an array of 8-byte floats; NaN is a gap in a line."""
    array = np.ascontiguousarray(values, dtype="<f8")
    return {"dtype": "f8", "bdata": base64.b64encode(array.tobytes()).decode("ascii")}


def untyped(part: Part) -> NDArray[np.float64]:
    """Read a typed array back."""
    return np.frombuffer(base64.b64decode(part["bdata"]), dtype="<f8")


def wall_ms(at: dt.datetime, zone: dt.tzinfo) -> float:
    """Milliseconds of the plant's wall clock: a date axis shows them as they are."""
    return calendar.timegm(at.astimezone(zone).timetuple()) * 1000.0


def text(value: str) -> str:
    """Make typed text safe for plotly, which reads a few tags."""
    return escape(value, quote=False)


def joined(pairs: Iterable[tuple[tuple[float, float], tuple[float, float]]]) -> Part:
    """Return x and y of separate straight strokes, each from one point to another, with gaps between."""
    x: list[float] = []
    y: list[float] = []
    for (x1, y1), (x2, y2) in pairs:
        x += [x1, x2, np.nan]
        y += [y1, y2, np.nan]
    return {"x": typed(x), "y": typed(y)}


def lines(name: str, color: str, *, width: float = 1.5, dash: str = "solid") -> Part:
    """Return a trace of lines that a finger passes over."""
    return {
        "type": "scatter",
        "mode": "lines",
        "name": text(name),
        "line": {"color": color, "width": width, "dash": dash},
        "hoverinfo": "skip",
    }


def markers(name: str, color: str, symbol: str, *, size: float = 11) -> Part:
    """Return a trace of marks; what a tap shows is in `customdata`, its first entry, its second an address."""
    return {
        "type": "scatter",
        "mode": "markers",
        "name": text(name),
        "marker": {"color": color, "symbol": symbol, "size": size, "line": {"width": 2, "color": color}},
        "hovertemplate": "%{customdata[0]}<extra></extra>",
    }


def bars(up: ArrayLike, down: ArrayLike, color: str) -> Part:
    """Return interval bars for `error_y`, above and below the point."""
    return {
        "type": "data",
        "symmetric": False,
        "array": typed(up),
        "arrayminus": typed(down),
        "color": color,
        "thickness": 1.5,
        "width": 4,
    }


def note(words: str, x: Any, y: float, *, xref: str, yref: str, **more: Any) -> Part:
    """Return a text that stands in the chart."""
    place = {"x": x, "y": y, "xref": xref, "yref": yref, "showarrow": False, "xanchor": "left"}
    return {"text": words, "font": {"size": 14, "color": "--ink"}, **place, **more}


def apart(wanted: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Move heights so that none is nearer than `least` to another, as little as may be, within the panel."""
    order = sorted(range(len(wanted)), key=lambda index: wanted[index])
    placed: list[float] = []
    for index in order:
        floor = placed[-1] + least if placed else low
        placed.append(max(wanted[index], floor))
    ceiling = high
    for place in range(len(placed) - 1, -1, -1):
        placed[place] = min(placed[place], ceiling)
        ceiling = placed[place] - least
    moved = [0.0] * len(wanted)
    for index, height in zip(order, placed, strict=True):
        moved[index] = height
    return moved
