"""The charts of a warm-up as plain dicts for plotly: offset against minutes with its curve, and against oil."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from django.utils import timezone

from linelog.alignment.captures.figures import AXES, LEGEND, MARGIN, PHASES
from linelog.alignment.captures.page import fine
from linelog.alignment.captures.warm_up import KEPT_AS, Point, Told, Trend
from linelog.alignment.models import CaptureValue
from linelog.calc.units import Unit
from linelog.web import plotly, units
from linelog.web.plotly import Part, typed

HEIGHT = 560
SYMBOLS = {"forward": "circle", "dome": "diamond", "back": "square"}
LOOKS = {key: (name, color, SYMBOLS[key]) for key, name, color in PHASES}
ROOM = 1.12  # beyond the last capture, where the steady values stand
Along = Callable[[Point], float]


def warm_up_figures(told: Told, unit: Unit, *, fahrenheit: bool) -> dict[str, Part]:
    """Return the charts that there is something for, by name."""
    last = max(_minutes(point) for point in told.points)
    minutes = _stacked(told, unit, told.points, _minutes, "Minutes since the machine started", (0.0, ROOM * last))
    for trend in told.trends:
        minutes["data"] += _curve(trend, unit, last)
    made = {"minutes": minutes}
    warm = [point for point in told.points if point.capture.oil_c is not None]
    if warm:

        def oil(point: Point) -> float:
            value = point.capture.oil_c or 0.0
            return value * 1.8 + 32.0 if fahrenheit else value

        ends = [oil(point) for point in warm]
        room = max(1.0, 0.06 * (max(ends) - min(ends)))
        title = f"Oil temperature, °{'F' if fahrenheit else 'C'}"
        made["oil"] = _stacked(told, unit, warm, oil, title, (min(ends) - room, max(ends) + room))
    return made


def _minutes(point: Point) -> float:
    return point.capture.minutes_since_start or 0.0


def _place(axis: int) -> Part:
    return {"xaxis": "x", "yaxis": "y2" if axis else "y"}


def _stacked(
    told: Told,
    unit: Unit,
    points: tuple[Point, ...] | list[Point],
    along: Along,
    title: str,
    ends: tuple[float, float],
) -> Part:
    """Return across above up on one axis, with the limit of the offset either side."""
    label, limit = units.label(unit), told.station.limit_um / unit.um
    data: list[Part] = []
    for axis in (0, 1):
        for side in (-1.0, 1.0):
            line = plotly.lines("Limit of the offset", "--out", dash="dash")
            shown = {"showlegend": axis == 0 and side > 0.0}
            data.append(line | shown | _place(axis) | {"x": typed(ends), "y": typed([side * limit] * 2)})
        for phase in dict.fromkeys(point.phase for point in points):
            mine = [point for point in points if point.phase == phase]
            data.append(_marks(mine, phase, axis, unit, along))
    titled = [f"{name}, + to the right, {label}" if key == "x" else f"{name}, {label}" for key, name in AXES]
    layout = {
        "height": HEIGHT,
        "margin": MARGIN,
        "showlegend": True,
        "legend": LEGEND,
        "xaxis": {"title": {"text": title}, "anchor": "y2", "range": list(ends)},
        "yaxis": {"title": {"text": titled[0]}, "domain": [0.54, 1.0]},
        "yaxis2": {"title": {"text": titled[1]}, "domain": [0.0, 0.46]},
    }
    return {"data": data, "layout": layout}


def _marks(points: list[Point], phase: CaptureValue.Phase, axis: int, unit: Unit, along: Along) -> Part:
    """Mark each capture with its interval at 95.45 %."""
    name, color, symbol = LOOKS[KEPT_AS[phase]]
    within = 2.0 * np.array([point.u_um[axis] for point in points]) / unit.um
    said = [[_said(point, axis, unit)] for point in points]
    return (
        plotly.markers(f"{name} ({len(points)} captures)", color, symbol, size=9)
        | _place(axis)
        | {
            "x": typed([along(point) for point in points]),
            "y": typed([point.at_um[axis] / unit.um for point in points]),
            "error_y": plotly.bars(within, within, color),
            "customdata": said,
            "showlegend": axis == 0,
        }
    )


def _said(point: Point, axis: int, unit: Unit) -> str:
    when = timezone.localtime(point.capture.recorded_at).strftime("%H:%M")
    value, within = fine(point.at_um[axis], unit, signed=True), fine(2.0 * point.u_um[axis], unit)
    name = AXES[axis][1]
    return f"<b>{point.phase.label}</b>, {when}, {_minutes(point):.0f} min<br>{name} {value} ± {within} {unit.label}"


def _curve(trend: Trend, unit: Unit, last: float) -> list[Part]:
    """Draw the curve as far as the captures go, and the steady value with its interval at the edge."""
    curve = trend.found.curve
    if curve is None:
        return []
    name, color, _ = LOOKS[KEPT_AS[trend.phase]]
    at = np.linspace(0.0, ROOM * last, 161)
    line = plotly.lines(f"{name}: curve", color, width=2)
    steady = curve.steady_um / unit.um
    up, down = (curve.steady_high_um - curve.steady_um) / unit.um, (curve.steady_um - curve.steady_low_um) / unit.um
    # One beside the other, so that the intervals of three phases can be told apart.
    place = (1.04 + 0.03 * list(LOOKS).index(KEPT_AS[trend.phase])) * last
    low, high = fine(curve.steady_low_um, unit, signed=True), fine(curve.steady_high_um, unit, signed=True)
    words = f"<b>{name}</b> tends to {fine(curve.steady_um, unit, signed=True)} {unit.label}<br>({low} to {high})"
    mark = plotly.markers(f"{name}: tends to", color, "star", size=11)
    return [
        line | _place(trend.axis) | {"x": typed(at), "y": typed(curve.at(at) / unit.um), "showlegend": False},
        mark
        | _place(trend.axis)
        | {
            "x": typed([place]),
            "y": typed([steady]),
            "error_y": plotly.bars([up], [down], color),
            "customdata": [[words]],
            "showlegend": False,
        },
    ]
