"""A forest plot: one row a comparison, its ratio with the exact interval, and a line where nothing changed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from linelog.calc.rates import RateRatio
from linelog.trends.evidence.around import Row
from linelog.web import plotly
from linelog.web.plotly import Part, typed
from linelog.web.templatetags.units import count

ROW_PX, FRAME_PX = 34, 110
FARTHEST = 8.0  # ratios beyond it stand at the edge of the chart, with an arrow
TICKS = (0.125, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 4.0, 8.0)


def forest_figure(rows: Sequence[Row]) -> Part | None:
    """Return the plot, the first row on top; None where there is no ratio."""
    pairs = [(row, row.ratio) for row in rows if row.ratio is not None and row.ratio.ratio is not None]
    if not pairs:
        return None
    ends = [_ends(ratio) for _, ratio in pairs]
    reach = max(1.3, *(max(high, 1.0 / max(low, 1e-9)) for low, high in ends))
    edge = math.log10(min(FARTHEST, 1.08 * reach))
    y = np.arange(len(pairs), 0, -1, dtype=np.float64)
    return {
        "data": [_same(len(pairs)), _points(pairs, ends, y)],
        "layout": {
            "height": FRAME_PX + ROW_PX * len(pairs),
            "margin": {"l": 210, "r": 24, "t": 30, "b": 60},
            "xaxis": {
                "type": "log",
                "range": [-edge, edge],
                "tickvals": list(TICKS),
                "ticktext": [f"{tick:g}" for tick in TICKS],
                "title": {"text": "Rate after as a multiple of the rate before"},
            },
            "yaxis": {
                "range": [0.4, len(pairs) + 0.6],
                "tickvals": y.tolist(),
                "ticktext": [_label(row) for row, _ in pairs],
                "showgrid": False,
                "zeroline": False,
            },
            "annotations": [
                plotly.note("lower after", 0.0, 1.0, xref="paper", yref="paper", yanchor="bottom"),
                plotly.note("higher after", 1.0, 1.0, xref="paper", yref="paper", yanchor="bottom", xanchor="right"),
            ],
            "showlegend": False,
        },
    }


def _ends(ratio: RateRatio) -> tuple[float, float]:
    low = max(ratio.low, 1.0 / FARTHEST)
    return min(low, FARTHEST), min(ratio.high if ratio.high is not None else FARTHEST, FARTHEST)


def _label(row: Row) -> str:
    return f"{plotly.text(row.name)} ({row.visits})" if row.visits > 1 else plotly.text(row.name)


def _same(rows: int) -> Part:
    return plotly.lines("No change", "--ink", width=1.5, dash="dash") | plotly.joined(
        [((1.0, 0.4), (1.0, rows + 0.6))]
    )


def _points(pairs: Sequence[tuple[Row, RateRatio]], ends: Sequence[tuple[float, float]], y: np.ndarray) -> Part:
    x = np.array([min(max(ratio.ratio or 0.0, 1.0 / FARTHEST), FARTHEST) for _, ratio in pairs])
    low, high = np.array(ends).T
    cans = np.array([row.before.made + row.after.made for row, _ in pairs], dtype=np.float64)
    trace = plotly.markers("After against before", "--ink", "square")
    trace["marker"] |= {"size": np.maximum(9.0, 20.0 * np.sqrt(cans / cans.max())).tolist()}
    trace["marker"] |= {"color": [_color(row) for row, _ in pairs]}
    return trace | {
        "x": typed(x),
        "y": typed(y),
        "error_x": plotly.bars(np.maximum(high - x, 0.0), np.maximum(x - low, 0.0), "--ink"),
        "customdata": [[_words(row, ratio), row.url] for row, ratio in pairs],
    }


def _color(row: Row) -> str:
    return {"above": "--out", "below": "--in"}.get(row.css, "--ink")


def _words(row: Row, ratio: RateRatio) -> str:
    high = f"{ratio.high:.2f}" if ratio.high is not None else "no upper end"
    return (
        f"<b>{plotly.text(row.name)}</b><br>{ratio.ratio:.2f} times ({ratio.low:.2f} to {high})<br>"
        f"before: {count(row.before.counts)} in {count(row.before.made)} cans<br>"
        f"after: {count(row.after.counts)} in {count(row.after.made)} cans"
    )
