"""Panels of the chart over time: what happened, and offsets against their limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from linelog.alignment.standing import RUNNING, STATIC, Value
from linelog.calc.units import Unit
from linelog.trends import words
from linelog.trends.queries.marks import Mark, MarkKind
from linelog.trends.series import OffsetSeries
from linelog.trends.trend import Trend
from linelog.web import plotly, units
from linelog.web.plotly import Part, typed, wall_ms

COLORS = tuple(f"--series-{number}" for number in range(1, 9))
DASHES = ("dot", "dash", "dashdot", "longdash", "longdashdot")
#: Static: circles. Running: diamonds. As found: filled. As left: hollow.
SYMBOLS = {
    (STATIC, "as_found"): "circle",
    (STATIC, "as_left"): "circle-open",
    (RUNNING, "as_found"): "diamond",
    (RUNNING, "as_left"): "diamond-open",
}
ROWS = {MarkKind.VISIT: 2.0, MarkKind.TOOLING: 1.0, MarkKind.EVENT: 0.0}
MARK_LOOK = {
    MarkKind.VISIT: ("Visits", "--accent", "star", "solid"),
    MarkKind.TOOLING: ("Tooling changes", "--ink", "square", "dash"),
    MarkKind.EVENT: ("Jams and events", "--unsure", "x", "dot"),
}
MOST_STROKES = 30  # more vertical lines of one kind than this would hide what they cross
LABEL_PX = 17.0  # height of a line of text at the right of a panel
_PLOT_PX, _LETTER_PX, _MARK_PX = 500.0, 7.0, 26.0  # on paper, where they are narrowest


@dataclass(slots=True)
class Panel:
    """One panel: its height in pixels, what stands above it, its axis, traces and notes."""

    height: int
    title: str
    axis: Part
    traces: list[Part] = field(default_factory=list)
    notes: list[Part] = field(default_factory=list)


def happened_panel(trend: Trend, y: str) -> Panel:
    """Return a narrow panel with one row each for visits, tooling changes and events."""
    axis = {
        "range": [-0.6, 2.6],
        "tickvals": [ROWS[kind] for kind in ROWS],
        "ticktext": ["Visits", "Tooling", "Events"],
        "showgrid": False,
        "zeroline": False,
    }
    panel = Panel(132, "What happened (tap a visit to open it)", axis)
    span = wall_ms(trend.ends, trend.zone) - wall_ms(trend.begins, trend.zone)
    for kind, row in ROWS.items():
        found = trend.marks_of(kind)
        if found:
            panel.traces.append(_marks(found, kind, row, trend, span))
    return panel


def _marks(found: list[Mark], kind: MarkKind, row: float, trend: Trend, span: float) -> Part:
    name, color, symbol, _ = MARK_LOOK[kind]
    at = [wall_ms(mark.at, trend.zone) for mark in found]
    trace = plotly.markers(name, color, symbol, size=16)
    return trace | {
        "mode": "markers+text",
        "x": typed(at),
        "y": typed([row] * len(at)),
        "text": _labels([mark.label for mark in found], at, wall_ms(trend.ends, trend.zone), span),
        "textposition": "middle right",
        "textfont": {"color": "--ink", "size": 13},
        "cliponaxis": False,
        "customdata": [[_mark_words(mark, trend), mark.url] for mark in found],
    }


def _mark_words(mark: Mark, trend: Trend) -> str:
    local = mark.at.astimezone(trend.zone)
    detail = f"<br>{plotly.text(mark.detail)}" if mark.detail else ""
    return f"<b>{plotly.text(mark.label)}</b><br>{words.date(local.date())}, {local:%H:%M}{detail}"


def _labels(names: Sequence[str], at: Sequence[float], end: float, span: float) -> list[str]:
    """Return the names that fit between their own mark and the next one, the others empty."""
    following = [*at[1:], end + 0.1 * span]
    fits = [
        (after - here) / span * _PLOT_PX > _MARK_PX + _LETTER_PX * len(name)
        for name, here, after in zip(names, at, following, strict=True)
    ]
    return [f" {plotly.text(name)}" if fit else "" for name, fit in zip(names, fits, strict=True)]


def strokes(trend: Trend, low: float, high: float) -> list[Part]:
    """Return upright lines through a panel at every mark, one trace a kind."""
    traces = []
    for kind in ROWS:
        found = trend.marks_of(kind)
        if not 0 < len(found) <= MOST_STROKES:
            continue
        name, color, _, dash = MARK_LOOK[kind]
        at = [wall_ms(mark.at, trend.zone) for mark in found]
        line = plotly.lines(name, color, width=1, dash=dash)
        traces.append(line | {"opacity": 0.4} | plotly.joined(((x, low), (x, high)) for x in at))
    return traces


def offset_groups(trend: Trend) -> list[list[OffsetSeries]]:
    """Return the series that share a panel: those of one station by one method, since each has a scale of its own."""
    groups: dict[tuple[int, str], list[OffsetSeries]] = {}
    for series in trend.offsets:
        groups.setdefault((series.station.pk, series.method), []).append(series)
    return list(groups.values())


def offset_panel(trend: Trend, y: str, of: Sequence[OffsetSeries], unit: Unit) -> Panel:
    """Return the radial offset of one station by one method with U, as found and as left, against its limit."""
    per = float(unit.um)
    top = _offset_top(of) / per
    label = units.label(unit)
    running = ", running" if of[0].method == RUNNING else ""
    axis = {"range": [0.0, top], "title": {"text": label}, "zeroline": False, "nticks": 5}
    title = f"{plotly.text(of[0].station.name)}{running}: offset from the ram line, {label}"
    panel = Panel(150, title, axis)
    panel.traces += strokes(trend, 0.0, top)
    labels = _draw_limits(panel, trend, of, unit)
    for series in of:
        panel.traces += _offset_traces(series, trend, unit)
    panel.traces += _amended_ring(trend, of, per)
    if len(of) > 1:
        labels += [(_own(series), series.values[-1].radial_um / per, _color(series)) for series in of]
    heights = plotly.apart([height for _, height, _ in labels], top * LABEL_PX / panel.height, 0.0, top)
    panel.notes += [_end_label(said, at, y, color) for (said, _, color), at in zip(labels, heights, strict=True)]
    return panel


def _own(series: OffsetSeries) -> str:
    """Return what tells a series from the others of its panel: its seat, or that it was measured on the bar."""
    own = series.label.removeprefix(series.station.name).removesuffix(", running").lstrip(", ")
    return own or "on the ram"


def _color(series: OffsetSeries) -> str:
    return COLORS[series.number % len(COLORS)]


def _offset_top(of: Sequence[OffsetSeries]) -> float:
    """Top of the scale, um: one value with a huge U must not flatten the others."""
    values = [value for series in of for value in series.values]
    most = max(max(value.radial_um, value.limit_um) for value in values)
    with_u = max(value.radial_um + value.expanded_um for value in values)
    return 1.1 * max(most, min(with_u, 2.5 * most))


def _offset_traces(series: OffsetSeries, trend: Trend, unit: Unit) -> list[Part]:
    """As found, as left, the stroke that joins the two, and the drift to the next visit: all of one method."""
    color = _color(series)
    name, method, per = series.label, series.method, float(unit.um)

    def spot(value: Value) -> tuple[float, float]:
        return wall_ms(value.visit_at, trend.zone), value.radial_um / per

    moved = plotly.lines(f"{name}: moved, {method}", color, width=1.5)
    dash = DASHES[series.number % len(DASHES)]
    drifted = plotly.lines(f"{name}: between visits, {method}", color, width=1.5, dash=dash)
    traces = []
    for line, pairs in ((moved, series.moved()), (drifted, series.drifted())):
        if pairs:
            traces.append(line | plotly.joined((spot(a), spot(b)) for a, b in pairs))
    return [
        *traces,
        *(_offset_marks(series, values, trend, unit) for values in (series.found, series.left) if values),
    ]


def _offset_marks(series: OffsetSeries, values: list[Value], trend: Trend, unit: Unit) -> Part:
    color, stage = _color(series), values[0].stage
    name = f"{series.label}: {words.STAGES[stage]}, {series.method}"
    place = words.place(series.station, series.seat)
    per = float(unit.um)
    radial = np.array([value.radial_um for value in values]) / per
    u = np.array([value.expanded_um for value in values]) / per
    return plotly.markers(name, color, SYMBOLS[series.method, stage]) | {
        "x": typed([wall_ms(value.visit_at, trend.zone) for value in values]),
        "y": typed(radial),
        "error_y": plotly.bars(u, np.minimum(u, radial), color),
        "customdata": [[value_words(value, place, trend, unit)] for value in values],
    }


def value_words(value: Value, place: str, trend: Trend, unit: Unit) -> str:
    """Say a value in full, for a tap."""
    offset = units.show_um(value.radial_um, unit)
    spread = units.show_um(value.expanded_um, unit, with_unit=True)
    limit = units.show_um(value.limit_um, unit, with_unit=True)
    lines = [
        f"<b>{plotly.text(place)}</b>, {words.STAGES[value.stage]}, {value.method}",
        f"{words.date(value.visit_at.astimezone(trend.zone).date())}: {offset} ± {spread}",
        f"limit {limit}: {value.verdict}",
    ]
    if value.carried:
        lines.append("not touched: carried over from as found")
    if value.amended is not None:
        was = math.hypot(value.amended.was_x_um, value.amended.was_y_um)
        lines.append(f"amended, measured was {units.show_um(was, unit, with_unit=True)}")
    return "<br>".join(lines)


def _amended_ring(trend: Trend, of: Sequence[OffsetSeries], per: float) -> list[Part]:
    values = [value for series in of for value in series.values if value.amended is not None]
    if not values:
        return []
    ring = plotly.markers("Amended after signing", "--ink", "circle-open", size=22)
    at = [wall_ms(value.visit_at, trend.zone) for value in values]
    return [ring | {"x": typed(at), "y": typed([value.radial_um / per for value in values]), "hoverinfo": "skip"}]


Label = tuple[str, float, str]  # what stands at the right of a panel, at which height, in which colour


def _draw_limits(panel: Panel, trend: Trend, of: Sequence[OffsetSeries], unit: Unit) -> list[Label]:
    """Draw the limit as it stood at every visit, one line where seats agree; return what each comes to at the end."""
    drawn: dict[tuple[tuple[float, float], ...], list[OffsetSeries]] = {}
    for series in of:
        drawn.setdefault(_limit_steps(series, trend), []).append(series)
    labels = []
    for steps, same in drawn.items():
        line = plotly.lines(f"Limit: {', '.join(_own(series) for series in same)}", "--out", width=2, dash="dash")
        x, heights = zip(*steps, strict=True)
        panel.traces.append(line | {"x": typed(x), "y": typed(np.array(heights) / unit.um)})
        whose = f", {_own(same[0])}" if len(drawn) > 1 else ""
        labels.append((f"limit {units.show_um(heights[-1], unit)}{whose}", heights[-1] / unit.um, "--out"))
    return labels


def _limit_steps(series: OffsetSeries, trend: Trend) -> tuple[tuple[float, float], ...]:
    """Corners of a limit over time, um: it holds from the visit that used it on."""
    limits = [(wall_ms(value.visit_at, trend.zone), value.limit_um) for value in series.values]
    corners = [(wall_ms(trend.begins, trend.zone), limits[0][1])]
    for x, limit in limits:
        if limit != corners[-1][1]:
            corners += [(x, corners[-1][1]), (x, limit)]
    return (*corners, (wall_ms(trend.ends, trend.zone), limits[-1][1]))


def _end_label(said: str, height: float, y: str, color: str) -> Part:
    place: Part = {"xref": "paper", "yref": y, "xshift": 6, "font": {"size": 13, "color": color}}
    return plotly.note(plotly.text(said), 1.0, height, **place)
