"""A forest plot: one row a comparison, its ratio with its interval, and a line where nothing changed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from linelog.trends.evidence.before_after import Row
from linelog.web import plotly
from linelog.web.plotly import Part, typed
from linelog.web.templatetags.units import count

ROW_PX, FRAME_PX = 34, 110
FARTHEST = 8.0  # ratios beyond it stand at the edge of the chart, with an arrow
TICKS = (0.125, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 4.0, 8.0)
NEAR, NEAR_TICKS = 2.0, (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 1.75, 2.0)


def forest_figure(rows: Sequence[Row]) -> Part | None:
    """Return the plot, the first row on top; None where there is no ratio."""
    told = [row for row in rows if row.ratio is not None]
    if not told:
        return None
    ends = [_ends(row) for row in told]
    reach = max(1.3, *(max(high, 1.0 / max(low, 1e-9)) for low, high in ends))
    edge = math.log10(min(FARTHEST, 1.08 * reach))
    ticks = NEAR_TICKS if reach <= NEAR else TICKS
    top: Part = {"xref": "paper", "yref": "paper", "yanchor": "bottom"}
    y = np.arange(len(told), 0, -1, dtype=np.float64)
    return {
        "data": [_same(len(told)), _points(told, ends, y)],
        "layout": {
            "height": FRAME_PX + ROW_PX * len(told),
            "margin": {"l": 210, "r": 24, "t": 30, "b": 60},
            "xaxis": {
                "type": "log",
                "range": [-edge, edge],
                "tickvals": list(ticks),
                "ticktext": [f"{tick:g}" for tick in ticks],
                "title": {"text": "Counted after / expected without the visit"},
            },
            "yaxis": {
                "range": [0.4, len(told) + 0.6],
                "tickvals": y.tolist(),
                "ticktext": [_label(row) for row in told],
                "showgrid": False,
                "zeroline": False,
            },
            "annotations": [
                plotly.note("lower than expected", 0.0, 1.0, **top),
                plotly.note("higher than expected", 1.0, 1.0, xanchor="right", **top),
            ],
            "showlegend": False,
        },
    }


def _ends(row: Row) -> tuple[float, float]:
    low = max(row.low, 1.0 / FARTHEST)
    return min(low, FARTHEST), min(row.high if row.high is not None else FARTHEST, FARTHEST)


def _label(row: Row) -> str:
    return f"{plotly.text(row.name)} ({row.visits})" if row.visits > 1 else plotly.text(row.name)


def _same(rows: int) -> Part:
    return plotly.lines("As expected", "--ink", width=1.5, dash="dash") | plotly.joined(
        [((1.0, 0.4), (1.0, rows + 0.6))]
    )


def _points(rows: Sequence[Row], ends: Sequence[tuple[float, float]], y: np.ndarray) -> Part:
    x = np.array([min(max(row.ratio or 0.0, 1.0 / FARTHEST), FARTHEST) for row in rows])
    low, high = np.array(ends).T
    cans = np.array([row.made_after for row in rows], dtype=np.float64)
    trace = plotly.markers("Counted over expected", "--ink", "square")
    trace["marker"] |= {"size": np.maximum(9.0, 20.0 * np.sqrt(cans / cans.max())).tolist()}
    trace["marker"] |= {"color": [_color(row) for row in rows], "symbol": [_symbol(row) for row in rows]}
    return trace | {
        "x": typed(x),
        "y": typed(y),
        "error_x": plotly.bars(np.maximum(high - x, 0.0), np.maximum(x - low, 0.0), "--ink"),
        "customdata": [[_words(row), row.url] for row in rows],
    }


def _symbol(row: Row) -> str:
    return {"above": "triangle-right", "below": "triangle-left"}.get(row.css, "square")


def _color(row: Row) -> str:
    return {"above": "--out", "below": "--in"}.get(row.css, "--ink")


def _words(row: Row) -> str:
    high = f"{row.high:.2f}" if row.high is not None else "no upper end"
    return (
        f"<b>{plotly.text(row.name)}</b>: {row.word}<br>{row.ratio:.2f} times ({row.low:.2f} to {high})<br>"
        f"expected: {count(round(row.expected or 0.0))} in {count(row.made_after)} cans<br>"
        f"counted: {count(row.counts_after)}"
    )
