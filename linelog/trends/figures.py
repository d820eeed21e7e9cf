"""The chart over time of a machine's page as a plain dict for plotly: one time axis under all panels."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.units import Unit
from linelog.trends import words
from linelog.trends.panels import Panel, happened_panel, offset_groups, offset_panel, strokes
from linelog.trends.rates import RateTrend, clear_scale
from linelog.trends.trend import Trend
from linelog.web import plotly
from linelog.web.plotly import Part, typed, wall_ms

TOP_PX, BOTTOM_PX, GAP_PX = 36, 56, 46
MOST_BARS = 120  # more interval bars than these stand side by side on an upright tablet: a band shows them


def time_figure(trend: Trend, unit: Unit) -> Part | None:
    """Return the chart over time with the panels that have enough to show, or None where none has."""
    makers = _makers(trend, unit)
    if not makers:
        return None
    panels = [make(trend, f"y{number}" if number > 1 else "y") for number, make in enumerate(makers, start=1)]
    return _stack(panels, trend)


def _makers(trend: Trend, unit: Unit) -> list[Callable[[Trend, str], Panel]]:
    makers: list[Callable[[Trend, str], Panel]] = []
    if trend.offsets_enough:
        makers += [partial(offset_panel, of=of, unit=unit) for of in offset_groups(trend)]
    makers += [partial(rate_panel, rate=rate) for rate in trend.rates.values() if rate is not None and rate.enough]
    return [happened_panel, *makers] if makers else []


def _stack(panels: list[Panel], trend: Trend) -> Part:
    """Put panels under one another on one time axis."""
    inside = sum(panel.height for panel in panels) + GAP_PX * (len(panels) - 1)
    begins, ends = wall_ms(trend.begins, trend.zone), wall_ms(trend.ends, trend.zone)
    air = 0.015 * (ends - begins)  # so that a mark at an end stands free of the axis
    last = f"y{len(panels)}" if len(panels) > 1 else "y"
    layout: Part = {
        "height": inside + TOP_PX + BOTTOM_PX,
        "margin": {"l": 76, "r": 116, "t": TOP_PX, "b": BOTTOM_PX},
        "xaxis": {
            "type": "date",
            "range": [begins - air, ends + air],
            "anchor": last,
            "title": {"text": "Date, plant's time"},
        },
        "annotations": [],
        "showlegend": False,
    }
    data, top = [], 1.0
    for number, panel in enumerate(panels, start=1):
        short = str(number) if number > 1 else ""
        bottom = max(0.0, top - panel.height / inside)
        layout[f"yaxis{short}"] = {"domain": [bottom, top], "anchor": "x", "fixedrange": True, **panel.axis}
        data += [{**trace, "xaxis": "x", "yaxis": f"y{short}"} for trace in panel.traces]
        title = plotly.note(f"<b>{panel.title}</b>", 0.0, top, xref="paper", yref="paper", yanchor="bottom", yshift=6)
        layout["annotations"] += [title, *panel.notes]
        top = bottom - GAP_PX / inside
    return {"data": data, "layout": layout}


def rate_panel(trend: Trend, y: str, rate: RateTrend) -> Panel:
    """Return a rate by day or week with its exact interval, centre line and stepped control limits."""
    top, _ = clear_scale(rate)
    step = "week" if trend.counted.by_week else "day"
    axis = {"range": [0.0, top], "title": {"text": rate.measure.unit}, "zeroline": False}
    shown = "95 % interval as a band" if _is_long(rate) else "with 95 % interval"
    panel = Panel(240, f"{rate.measure.name} {rate.measure.unit} by {step}, {shown}", axis)
    panel.traces += [*strokes(trend, 0.0, top), *_limit_traces(trend, rate), *_point_traces(trend, rate, step)]
    middle, upper = rate.chart.centre, float(np.median(rate.chart.upper))
    heights = plotly.apart([middle, min(upper, top)], top * 18.0 / panel.height, 0.0, top)
    place: Part = {"xref": "paper", "yref": y, "xshift": 6}
    said = (f"centre {middle:.{rate.measure.decimals}f}", "control limit")
    panel.notes += [plotly.note(line, 1.0, at, **place) for line, at in zip(said, heights, strict=True)]
    return panel


def _limit_traces(trend: Trend, rate: RateTrend) -> list[Part]:
    starts, width = trend.starts_ms(), trend.counted.step * plotly.DAY_MS
    name = rate.measure.name
    limit = plotly.lines(f"{name}: control limits", "--quiet", dash="dash")
    traces = [limit | _steps(starts, width, rate.chart.upper)]
    if (rate.chart.lower > 0.0).any():
        traces.append(limit | _steps(starts, width, rate.chart.lower))
    middle = np.full(len(starts), rate.chart.centre)
    traces.append(plotly.lines(f"{name}: centre line", "--quiet", width=1) | _steps(starts, width, middle))
    return traces


def _steps(starts: FloatArray, width: float, heights: FloatArray) -> Part:
    """Return a stepped line: level over each day or week, with a gap where days are missing."""
    gap = np.append(np.diff(starts) > 1.5 * width, False)
    x = np.column_stack([starts, starts + width, starts + width])
    y = np.column_stack([heights, heights, np.full(len(starts), np.nan)])
    keep = np.column_stack([np.ones((len(starts), 2), dtype=bool), gap])
    return {"x": typed(x[keep]), "y": typed(y[keep])}


def _point_traces(trend: Trend, rate: RateTrend, step: str) -> list[Part]:
    """Points with their interval; those beyond a limit have a shape of their own."""
    name = rate.measure.name
    inside = ~rate.chart.beyond
    path = plotly.lines(f"{name}: from {step} to {step}", "--rule", width=1)
    gaps = np.diff(trend.starts_ms()) > 1.5 * trend.counted.step * plotly.DAY_MS
    after = np.flatnonzero(gaps) + 1
    x, y = np.insert(trend.noon_ms(), after, np.nan), np.insert(rate.rates.rate, after, np.nan)
    looks = (
        (inside, plotly.markers(f"{name}: within the limits", "--accent", "circle", size=4 if _is_long(rate) else 6)),
        (rate.above, plotly.markers(f"{name}: above the limits", "--out", "triangle-up", size=14)),
        (rate.below, plotly.markers(f"{name}: below the limits", "--in", "triangle-down", size=14)),
    )
    points = [look | _points(trend, rate, chosen, look["marker"]["color"]) for chosen, look in looks if chosen.any()]
    band = _bands(trend, rate, after) if _is_long(rate) else []
    return [*band, path | {"x": typed(x), "y": typed(y)}, *points]


def _is_long(rate: RateTrend) -> bool:
    return len(rate.day) > MOST_BARS


def _bands(trend: Trend, rate: RateTrend, after: IntArray) -> list[Part]:
    """Return the intervals as one band where bars would stand side by side: open where days are missing."""
    x, y = [], []
    parts = (trend.noon_ms(), rate.rates.low, rate.rates.high)
    for at, low, high in zip(*(np.split(part, after) for part in parts), strict=True):
        x += [at, at[::-1], [np.nan]]
        y += [low, high[::-1], [np.nan]]
    look = plotly.lines(f"{rate.measure.name}: 95 % interval", "--accent", width=0)
    shape = {"x": typed(np.concatenate(x)), "y": typed(np.concatenate(y))}
    return [look | shape | {"fill": "toself", "fillcolor": "--accent", "opacity": 0.2}]


def _points(trend: Trend, rate: RateTrend, chosen: BoolArray, color: str) -> Part:
    at, found = trend.noon_ms()[chosen], rate.rates
    up, down = (found.high - found.rate)[chosen], (found.rate - found.low)[chosen]
    in_the_band = _is_long(rate) and not rate.chart.beyond[chosen].any()
    return {
        "x": typed(at),
        "y": typed(found.rate[chosen]),
        **({} if in_the_band else {"error_y": plotly.bars(up, down, color)}),
        "customdata": [[rate_words(trend, rate, index)] for index in np.flatnonzero(chosen).tolist()],
    }


def rate_words(trend: Trend, rate: RateTrend, index: int) -> str:
    """Say one day or week in full, for a tap."""
    measure, found = rate.measure, rate.rates
    day = words.date(rate.day[index].item())
    when = f"Week from {day}" if trend.counted.by_week else day
    low, mid, high = (f"{part[index]:.{measure.decimals}f}" for part in (found.low, found.rate, found.high))
    state = "above" if rate.above[index] else "below" if rate.below[index] else "within"
    return (
        f"<b>{when}</b>: {mid} {measure.unit}<br>95 %: {low} to {high}<br>"
        f"{found.counts[index]:,.0f} of {found.cans[index]:,.0f} cans<br>{state} the control limits"
    )
