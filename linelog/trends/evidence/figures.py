"""Severity against rate, with the fitted curve and its interval, as a plain dict for plotly."""

from __future__ import annotations

import numpy as np

from linelog.trends.evidence.answer import Answer
from linelog.trends.evidence.scope import SPOILED, Scope
from linelog.web import plotly
from linelog.web.plotly import Part, typed
from linelog.web.templatetags.units import count

ABOVE_ZERO = 1.0 / 3.0  # of the highest
MARK_PX = 6.0  # small, so that the interval shows on both sides


def unit_of(scope: Scope) -> tuple[str, float, int]:
    """Return the unit of a rate, what a rate per million is divided by to come to it, and its decimals."""
    return ("% of cans", 10_000.0, 3) if scope.measure == SPOILED else ("per million cans", 1.0, 1)


def severity_figure(scope: Scope, found: Answer) -> Part | None:
    """Return the chart, None where there is no result to draw."""
    if found.effect is None or not found.points:
        return None
    unit, per, _ = unit_of(scope)
    right = max(1.15, 1.05 * max(point.severity for point in found.points))
    low, high = (sorted(getattr(point, end) / per for point in found.points) for end in ("low", "high"))
    bottom, top = _scale(low[0], high[-1])
    data = [*_curve(found, right, per), _limit(bottom, top), _points(scope, found, per, unit)]
    return {
        "data": data,
        "layout": {
            "height": 440,
            "margin": {"l": 76, "r": 24, "t": 24, "b": 60},
            "xaxis": {"range": [0.0, right], "title": {"text": "Expected offset as a share of its limit (severity)"}},
            "yaxis": {"range": [bottom, top], "title": {"text": f"{_noun(scope)}, {unit}"}, "zeroline": False},
            "annotations": [plotly.note("limit", 1.0, top, xref="x", yref="y", xshift=6, yanchor="top")],
            "showlegend": False,
        },
    }


def _noun(scope: Scope) -> str:
    return scope.noun[0].upper() + scope.noun[1:]


def _curve(found: Answer, right: float, per: float) -> list[Part]:
    effect = found.effect or {}
    x = np.linspace(0.0, right, 61)
    ends = [effect["base"] / per * effect[end] ** (x - effect["centre"]) for end in ("low", "high", "ratio")]
    low, high = np.minimum(*ends[:2]), np.maximum(*ends[:2])
    band = plotly.lines("95 % interval of the curve", "--accent", width=0) | {
        "x": typed(np.concatenate([x, x[::-1]])),
        "y": typed(np.concatenate([high, low[::-1]])),
        "fill": "toself",
        "fillcolor": "--accent",
        "opacity": 0.18,
    }
    return [band, plotly.lines("Fitted", "--accent", width=3) | {"x": typed(x), "y": typed(ends[2])}]


def _scale(low: float, high: float) -> tuple[float, float]:
    """Return the ends of the scale: from zero, unless all lie so far above it that intervals could not be seen."""
    air = 0.1 * (high - low)
    return (low - air if low > ABOVE_ZERO * high else 0.0), high + air


def _limit(bottom: float, top: float) -> Part:
    return plotly.lines("Limit", "--out", width=2, dash="dash") | plotly.joined([((1.0, bottom), (1.0, top))])


def _points(scope: Scope, found: Answer, per: float, unit: str) -> Part:
    points = found.points
    rate = np.array([point.rate for point in points]) / per
    low, high = (np.array([getattr(point, end) for point in points]) / per for end in ("low", "high"))
    trace = plotly.markers("Stretches of time of about one severity", "--ink", "circle", size=MARK_PX)
    trace["marker"]["line"] = {"width": 0}
    bars = plotly.bars(high - rate, rate - low, "--ink") | {"thickness": 2.5, "width": 8}
    return trace | {
        "x": typed([point.severity for point in points]),
        "y": typed(rate),
        "error_y": bars,
        "customdata": [
            [
                f"<b>Severity {point.severity:.2f}</b><br>"
                f"{rate[number]:.3g} ({low[number]:.3g} to {high[number]:.3g}) {unit}<br>"
                f"{count(point.counts)} in {count(point.cans)} cans"
            ]
            for number, point in enumerate(points)
        ],
    }
