"""The charts of one machine as a plain dict for plotly: the sum that signals, its rate with limits, weighted mean."""

from __future__ import annotations

import datetime as dt

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray
from linelog.trends import words
from linelog.trends.control.charts import EWMA_WEIGHT, Charts
from linelog.trends.control.queries import Sums
from linelog.trends.control.said import rate_words
from linelog.web import plotly
from linelog.web.plotly import Part, typed

DAY_MS = plotly.DAY_MS
HEIGHTS = (220, 260, 190)
TOP_PX, BOTTOM_PX, GAP_PX = 36, 56, 48
MOST_POINTS = 240  # more than these hide one another on an upright tablet: a band shows where they lie


def control_figure(drawn: Charts, sums: Sums, since: dt.date, shifts: tuple[str, ...]) -> Part:
    """Return three panels on one time axis, from the first day of the span on."""
    shown = np.asarray(drawn.day >= np.datetime64(since, "D"))
    x = _times(drawn, shifts)[shown]
    panels = [_sums(sums, since), _rate(drawn, shown, x, shifts), _smooth(drawn, shown, x)]
    inside = sum(HEIGHTS) + GAP_PX * (len(HEIGHTS) - 1)
    layout: Part = {
        "height": inside + TOP_PX + BOTTOM_PX,
        "margin": {"l": 76, "r": 24, "t": TOP_PX, "b": BOTTOM_PX},
        "xaxis": {"type": "date", "anchor": "y3", "title": {"text": "Production day"}},
        "annotations": [],
        "showlegend": False,
    }
    data, top = [], 1.0
    for number, (height, (title, axis, traces)) in enumerate(zip(HEIGHTS, panels, strict=True), start=1):
        short = str(number) if number > 1 else ""
        bottom = max(0.0, top - height / inside)
        layout[f"yaxis{short}"] = {"domain": [bottom, top], "anchor": "x", "fixedrange": True, **axis}
        data += [{**trace, "xaxis": "x", "yaxis": f"y{short}"} for trace in traces]
        place: Part = {"xref": "paper", "yref": "paper", "yanchor": "bottom", "yshift": 6}
        layout["annotations"].append(plotly.note(f"<b>{title}</b>", 0.0, top, **place))
        top = bottom - GAP_PX / inside
    return {"data": data, "layout": layout}


def _times(drawn: Charts, shifts: tuple[str, ...]) -> FloatArray:
    """Milliseconds of each point; the shifts of a day stand side by side."""
    days = np.asarray(drawn.day.astype("datetime64[ms]").astype(np.float64))
    if not shifts:
        return days
    first = np.concatenate([[True], np.diff(days) > 0.0])
    starts = np.maximum.accumulate(np.where(first, np.arange(len(days)), 0))
    return np.asarray(days + (np.arange(len(days)) - starts) * DAY_MS / 3.0)


def _rate(drawn: Charts, shown: BoolArray, x: FloatArray, shifts: tuple[str, ...]) -> tuple[str, Part, list[Part]]:
    measure, per = drawn.measure, drawn.measure.divisor
    rate, upper = drawn.rate[shown] / per, drawn.upper[shown] / per
    lower, centre = drawn.lower[shown] / per, drawn.centre[shown] / per
    top = 1.1 * max(float(np.percentile(rate, 99.5)), float(np.median(upper)) * 1.2, 1e-9)
    limit = plotly.lines("Control limits", "--quiet", dash="dash")
    traces = [limit | {"x": typed(x), "y": typed(upper), "line": limit["line"] | {"shape": "hvh"}}]
    if (lower > 0.0).any():
        traces.append(limit | {"x": typed(x), "y": typed(lower), "line": limit["line"] | {"shape": "hvh"}})
    middle = plotly.lines("Centre", "--quiet", width=1)
    traces.append(middle | {"x": typed(x), "y": typed(centre), "line": middle["line"] | {"shape": "hvh"}})
    beyond = drawn.beyond[shown]
    high, size = rate > centre, -(-int((~beyond).sum()) // MOST_POINTS)
    if size > 1:
        traces += _ranges(x[~beyond], rate[~beyond], size)
    said = np.array(_said(drawn, shown, shifts), dtype=object)
    looks = (
        (~beyond & (size <= 1), plotly.markers("Within", "--accent", "circle", size=5)),
        (beyond & high, plotly.markers("Above the limit", "--out", "triangle-up", size=13)),
        (beyond & ~high, plotly.markers("Below the limit", "--in", "triangle-down", size=13)),
    )
    for some, look in looks:
        if some.any():
            words_of = [[one] for one in said[some]]
            traces.append(look | {"x": typed(x[some]), "y": typed(rate[some]), "customdata": words_of})
    title = f"{measure.name} {measure.unit} against its past, three-sigma limits"
    if size > 1:
        title = f"{measure.name} {measure.unit}: median and range of {size} points each, three-sigma limits"
    return title, {"range": [0.0, top], "title": {"text": measure.unit}, "zeroline": False}, traces


def _ranges(x: FloatArray, y: FloatArray, size: int) -> list[Part]:
    """Return points too many to tell apart as a band, from the lowest to the highest of so many, and their median."""
    begins = np.arange(0, len(x), size)
    low, high = np.minimum.reduceat(y, begins), np.maximum.reduceat(y, begins)
    parts = [(np.mean(x[at : at + size]), np.median(y[at : at + size])) for at in begins.tolist()]
    at, middle = np.array(parts).T
    band = plotly.lines("Lowest to highest within", "--accent", width=0) | {
        "x": typed(np.concatenate([at, at[::-1]])),
        "y": typed(np.concatenate([low, high[::-1]])),
        "fill": "toself",
        "fillcolor": "--accent",
        "opacity": 0.2,
    }
    return [band, _line("Median within", at, middle)]


def _said(drawn: Charts, shown: BoolArray, shifts: tuple[str, ...]) -> list[str]:
    sentences = []
    for at in np.flatnonzero(shown).tolist():
        when = words.date(drawn.day[at].item())
        shift = f", shift {plotly.text(shifts[at])}" if shifts else ""
        rate, centre, upper = (
            rate_words(drawn.measure, float(part[at])) for part in (drawn.rate, drawn.centre, drawn.upper)
        )
        week = "Week from " if drawn.by_week else ""
        sentences.append(
            f"<b>{week}{when}{shift}</b>: {rate} {drawn.measure.unit}<br>centre {centre}, limit {upper}<br>"
            f"{drawn.counts[at]:,.0f} of {drawn.made[at]:,.0f} cans"
        )
    return sentences


def _smooth(drawn: Charts, shown: BoolArray, x: FloatArray) -> tuple[str, Part, list[Part]]:
    values, limit = drawn.ewma.values[shown], float(drawn.ewma.upper[-1])
    traces = [_level(x, limit), _level(x, -limit), _line("Weighted mean", x, values)]
    traces += _marked(x, values, drawn.ewma.beyond[shown])
    title = f"Weighted mean distance from its past (EWMA, weight {EWMA_WEIGHT:g})"
    return title, _sigmas(max(1.6 * limit, 1.1 * float(np.abs(values).max()))), traces


def _sums(sums: Sums, since: dt.date) -> tuple[str, Part, list[Part]]:
    """Draw the sum that signals, day by day, whatever the step of the other panels."""
    title = "Counts above what the line leads to expect, added up"
    shown = np.asarray(sums.day >= np.datetime64(since, "D"))
    if not shown.any():
        return title, {"range": [0.0, 1.0], "title": {"text": "counts"}}, []
    x = np.asarray(sums.day[shown].astype("datetime64[ms]").astype(np.float64))
    total, limit = sums.total[shown], sums.limit[shown]
    edge = plotly.lines("Limit", "--quiet", dash="dash")
    traces = [edge | {"x": typed(x), "y": typed(limit), "line": edge["line"] | {"shape": "hvh"}}]
    traces += [_line("Sum", x, total), *_marked(x, total, total > limit)]
    top = max(float(total.max()), float(np.nanmax(limit, initial=1.0)))
    return title, {"range": [0.0, 1.15 * top], "title": {"text": "counts"}, "zeroline": False}, traces


def _sigmas(top: float) -> Part:
    return {"range": [-top, top], "title": {"text": "sigmas"}, "zeroline": True}


def _level(x: FloatArray, height: float) -> Part:
    ends = {"x": typed([x[0], x[-1]]), "y": typed([height, height])}
    return plotly.lines("Limit", "--quiet", dash="dash") | ends


def _line(name: str, x: FloatArray, y: FloatArray) -> Part:
    return plotly.lines(name, "--accent", width=1.5) | {"x": typed(x), "y": typed(y)}


def _marked(x: FloatArray, y: FloatArray, beyond: BoolArray) -> list[Part]:
    """Mark the points beyond a limit by shape and colour: up is worse."""
    traces = []
    for some, color, symbol in (
        (beyond & (y > 0.0), "--out", "triangle-up"),
        (beyond & (y < 0.0), "--in", "triangle-down"),
    ):
        if some.any():
            look = plotly.markers("Beyond the limit", color, symbol, size=9) | {"hoverinfo": "skip"}
            look.pop("hovertemplate")
            traces.append(look | {"x": typed(x[some]), "y": typed(y[some])})
    return traces
