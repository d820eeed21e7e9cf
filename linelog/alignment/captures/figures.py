"""The charts of a capture as plain dicts for plotly, from its stored result: no file is read for a page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from linelog.calc.units import Unit
from linelog.web import plotly, units
from linelog.web.plotly import Part, typed
from linelog.web.units import machine_lengths, machine_unit

DOME, DOME_COLOR = "Dome", "--series-2"
PHASES = (("forward", "Forward", "--series-1"), ("dome", DOME, DOME_COLOR), ("back", "Return", "--series-3"))
AXES = (("x", "Across"), ("y", "Up"))
BAND = 0.18
LIMIT_SHOWN_FROM = 0.5  # a smaller share of it, and its lines would flatten the path
CIRCLE = np.linspace(0.0, 2.0 * np.pi, 121)
LEGEND = {"orientation": "h", "x": 0.0, "y": 1.0, "yanchor": "bottom", "xanchor": "left"}
MARGIN = {"l": 82, "r": 24, "t": 44, "b": 60}


def all_figures(result: dict[str, Any], limit_um: float, unit: Unit) -> dict[str, Part]:
    """Return the figures that the result has enough for, by name."""
    far = machine_unit(unit)
    made = {
        "path": path_figure(result, limit_um, unit),
        "travel": _whole_stroke(
            _stacked(result, unit, _travel(far), f"Ram position forward of full back, {far.label}"), result, far
        ),
        "time": _stacked(result, unit, _over_time, "Minutes from the first stroke"),
    }
    if result["dome"] is not None:
        made["dome"] = dome_figure(result, limit_um, unit)
    if has_warmth(result):
        made["warmth"] = _stacked(result, unit, _over_warmth, "Temperature, degrees of the file")
    return made


def has_warmth(result: dict[str, Any]) -> bool:
    """Say whether a temperature was recorded, and changed enough to say something."""
    return any(phase["drift_x_temperature"] is not None for _, phase in _seen(result))


def path_figure(result: dict[str, Any], limit_um: float, unit: Unit) -> Part:
    """Return the mean path seen from the crank, by phase, with the limit of the station as a circle."""
    label, per = units.label(unit), float(unit.um)
    data = [
        plotly.lines("Limit of the offset", "--out", dash="dash")
        | {"x": typed(limit_um / per * np.sin(CIRCLE)), "y": typed(limit_um / per * np.cos(CIRCLE))}
    ]
    for (_, name, color), phase in _seen(result):
        path = phase["path"]
        x, y = np.array(path["x_um"]) / per, np.array(path["y_um"]) / per
        said = [
            [f"<b>{name}</b>, ram at {units.show_mm(at, unit)}<br>across {a:+.4f}, up {b:+.4f} {label}"]
            for at, a, b in zip(path["position_mm"], x, y, strict=True)
        ]
        data.append(
            _trace(name, color, "lines+markers", x, y)
            | {"customdata": said, "hovertemplate": "%{customdata[0]}<extra></extra>"}
        )
        begin = plotly.markers(f"{name}: begins here", color, "circle-open", size=13)
        data.append(begin | {"x": typed(x[:1]), "y": typed(y[:1]), "customdata": said[:1], "showlegend": False})
    reach = 1.08 * max(
        limit_um / per,
        *(float(np.abs(phase["path"][f"{axis}_um"]).max()) / per for _, phase in _seen(result) for axis in "xy"),
    )
    return {"data": data, "layout": _seen_from_the_crank(reach, label)}


def _seen_from_the_crank(reach: float, label: str) -> dict[str, Any]:
    """Return a layout in which both axes have one scale, as far as `reach` each way."""
    axis = {"range": [-reach, reach], "constrain": "domain"}
    return {
        "height": 560,
        "margin": MARGIN,
        "showlegend": True,
        "legend": LEGEND,
        "xaxis": {"title": {"text": f"Across, + to the right, {label}"}, **axis},
        "yaxis": {"title": {"text": f"Up, {label}"}, "scaleanchor": "x", **axis},
    }


def dome_figure(result: dict[str, Any], limit_um: float, unit: Unit) -> Part:
    """Return dome formation alone, across above up, against the crank: the ram hardly travels there and turns round.

    Both panels have one scale. The limit of the offset is a line either side where it lies near what is seen.
    """
    alone = {**dict.fromkeys(result), "dome": result["dome"]}
    figure = _stacked(alone, unit, _over_crank, "Crank, degrees; the ram is full forward at 180")
    path, per = result["dome"]["path"], float(unit.um)
    ends = np.array([min(path["angle_deg"]), max(path["angle_deg"])])
    edges = [path[f"{axis}_{edge}_um"] for axis, _ in AXES for edge in ("low", "high")]
    far_um = float(np.abs(edges).max())
    near = far_um > LIMIT_SHOWN_FROM * limit_um
    reach = 1.1 * max(far_um, limit_um if near else 0.0) / per  # one scale for both: across and up can be compared
    for number in range(1, len(AXES) + 1):
        axis = f"y{number}" if number > 1 else "y"
        figure["layout"][axis.replace("y", "yaxis")]["range"] = [-reach, reach]
        for side in (-1.0, 1.0) if near else ():
            line = plotly.lines("Limit of the offset", "--out", dash="dash")
            place = {"xaxis": "x", "yaxis": axis, "showlegend": number == 1 and side > 0.0}
            figure["data"].append(line | place | {"x": typed(ends), "y": typed(np.full(2, side * limit_um / per))})
    figure["layout"]["xaxis"]["range"] = ends.tolist()
    return figure


Draw = Callable[[str, str, dict[str, Any], str, float], list[Part]]


def _stacked(result: dict[str, Any], unit: Unit, draw: Draw, title: str) -> Part:
    """Return two panels, across above up, on one axis."""
    label, per = units.label(unit), float(unit.um)
    data: list[Part] = []
    for (_, name, color), phase in _seen(result):
        for number, (axis, _) in enumerate(AXES, start=1):
            place = {"xaxis": "x", "yaxis": f"y{number}" if number > 1 else "y"}
            data += [
                trace | place | ({"showlegend": False} if number > 1 else {})
                for trace in draw(name, color, phase, axis, per)
            ]
    layout = {
        "height": 520,
        "margin": MARGIN,
        "showlegend": True,
        "legend": LEGEND,
        "xaxis": {"title": {"text": title}, "anchor": "y2"},
        "yaxis": {"title": {"text": f"{AXES[0][1]}, {label}"}, "domain": [0.54, 1.0]},
        "yaxis2": {"title": {"text": f"{AXES[1][1]}, {label}"}, "domain": [0.0, 0.46]},
    }
    return {"data": data, "layout": layout}


def _whole_stroke(figure: Part, result: dict[str, Any], far: Unit) -> Part:
    """Show the whole stroke, so that the short dome stands free of the edge."""
    farthest_mm = max(max(phase["path"]["position_mm"]) for _, phase in _seen(result))
    figure["layout"]["xaxis"]["range"] = [0.0, 1.02 * float(machine_lengths(farthest_mm, far))]
    return figure


def _travel(far: Unit) -> Draw:
    """Return what draws the path over the ram's position, told in `far`."""

    def draw(name: str, color: str, phase: dict[str, Any], axis: str, per: float) -> list[Part]:
        at = machine_lengths(phase["path"]["position_mm"], far)
        if name == DOME:
            return [_spot(name, phase["path"], float(np.mean(at)), axis, per)]
        return _banded(name, color, phase["path"], at, axis, per)

    return draw


def _spot(name: str, path: dict[str, Any], at: float, axis: str, per: float) -> Part:
    """Return a phase that hardly travels as one mark, with the range that nine strokes in ten lie in."""
    middle = float(np.mean(path[f"{axis}_um"])) / per
    low, high = min(path[f"{axis}_low_um"]) / per, max(path[f"{axis}_high_um"]) / per
    said = [[f"<b>{name}</b>, enlarged below<br>mean {middle:+.4f}, {low:+.4f} to {high:+.4f}"]]
    mark = plotly.markers(name, DOME_COLOR, "diamond", size=9) | {"x": typed([at]), "y": typed([middle])}
    bars = plotly.bars([high - middle], [middle - low], DOME_COLOR) | {"thickness": 3, "width": 7}
    return mark | {"error_y": bars, "customdata": said}


def _over_crank(name: str, color: str, phase: dict[str, Any], axis: str, per: float) -> list[Part]:
    return _banded(name, color, phase["path"], np.array(phase["path"]["angle_deg"]), axis, per)


def _banded(name: str, color: str, path: dict[str, Any], at: Any, axis: str, per: float) -> list[Part]:
    """Return the mean path along something, and the band that nine strokes in ten lie in."""
    low, high = np.array(path[f"{axis}_low_um"]) / per, np.array(path[f"{axis}_high_um"]) / per
    band = {
        **plotly.lines(f"{name}: nine strokes in ten", color, width=0),
        "x": typed(np.concatenate([at, at[::-1]])),
        "y": typed(np.concatenate([low, high[::-1]])),
        "fill": "toself",
        "fillcolor": color,
        "opacity": BAND,
        "showlegend": False,
    }
    return [band, _trace(name, color, "lines+markers", at, np.array(path[f"{axis}_um"]) / per)]


def _over_time(name: str, color: str, phase: dict[str, Any], axis: str, per: float) -> list[Part]:
    series = phase["series"]
    minutes = (np.array(series["time_s"]) - series["time_s"][0]) / 60.0
    return [_trace(name, color, "lines", minutes, np.array(series[f"{axis}_um"]) / per)]


def _over_warmth(name: str, color: str, phase: dict[str, Any], axis: str, per: float) -> list[Part]:
    series = phase["series"]
    if not series["temperature"]:
        return []
    return [_trace(name, color, "markers", np.array(series["temperature"]), np.array(series[f"{axis}_um"]) / per)]


def _trace(name: str, color: str, mode: str, x: Any, y: Any) -> Part:
    look = {"color": color, "size": 6}
    return {
        "type": "scatter",
        "mode": mode,
        "name": name,
        "line": {"color": color, "width": 2},
        "marker": look,
        "x": typed(x),
        "y": typed(y),
        "hoverinfo": "x+y+name",
    }


def _seen(result: dict[str, Any]) -> Iterator[tuple[tuple[str, str, str], dict[str, Any]]]:
    """Yield the phases that the ring saw."""
    for look in PHASES:
        if result[look[0]] is not None:
            yield look, result[look[0]]
