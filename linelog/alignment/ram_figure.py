"""The chart of the hanging ram as a plain dict for plotly: deflection above, slope below, over z."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linelog.alignment.hanging import SHARES, Hangs, Lines
from linelog.calc.units import SlopeUnit, Unit
from linelog.plant.models import Station
from linelog.plant.ram import HangingRam
from linelog.web import plotly, units
from linelog.web.plotly import Part, typed
from linelog.web.units import machine_lengths, machine_unit

NAMES = ("full back", "a quarter forward", "half way", "three quarters", "full forward")
DASHES = ("dot", "dash", "dashdot", "longdash", "solid")
COLORS = tuple(f"--series-{number}" for number in (1, 3, 5, 4, 2))
HEIGHT, GAP = 620, 0.10
NAME_MM = 45.0  # names of stations stand no nearer


def ram_figure(
    hanging: HangingRam,
    lines: Lines,
    hangs: Sequence[Hangs],
    stations: Sequence[Station],
    unit: Unit,
    slopes: SlopeUnit = SlopeUnit.MM_PER_M,
) -> Part:
    """Return the chart: every drawn position, the chosen one heavy, and each station as it was read."""
    per, far = float(unit.um), machine_unit(unit)
    low = float(np.nanmin(lines.deflection_um)) / per
    high = max(float(np.nanmax(lines.deflection_um)) / per, 0.0)
    air = 0.08 * (high - low or 1.0)
    data = [
        *_marks(hanging, stations, low - air, high + air, far),
        *_curves(lines, lines.deflection_um / per, "y", far),
        *_curves(lines, lines.slope_mm_per_m / slopes.mm_per_m, "y2", far),
        _read(hangs, unit),
    ]
    layout: Part = {
        "height": HEIGHT,
        "margin": {"l": 76, "r": 24, "t": 64, "b": 56},
        "showlegend": False,
        "xaxis": {"title": {"text": f"z, {far.label} from the front edge of the front bushing"}, "anchor": "y2"},
        "yaxis": {
            "domain": [0.45 + GAP / 2, 1.0],
            "range": [low - air, high + air],
            "title": {"text": f"Deflection, {units.label(unit)}"},
        },
        "yaxis2": {"domain": [0.0, 0.45 - GAP / 2], "title": {"text": f"Slope, {slopes.label}"}},
        "annotations": [*_names(stations, high + air, far), *_ends(lines, far, slopes)],
    }
    return {"data": data, "layout": layout}


def _curves(lines: Lines, values: np.ndarray, y: str, far: Unit) -> list[Part]:
    traces = []
    for place, travel in enumerate(lines.travel_mm.tolist()):
        is_chosen = place == len(SHARES)
        color = "--ink" if is_chosen else COLORS[place]
        dash = "solid" if is_chosen else DASHES[place]
        name = f"{units.show_mm(travel, far)} from full back" + (", chosen" if is_chosen else f", {NAMES[place]}")
        line = plotly.lines(name, color, width=3.5 if is_chosen else 1.5, dash=dash)
        traces.append(line | {"x": typed(machine_lengths(lines.z_mm, far)), "y": typed(values[place]), "yaxis": y})
    return traces


def _marks(hanging: HangingRam, stations: Sequence[Station], low: float, high: float, far: Unit) -> list[Part]:
    """Draw the stations as thin upright lines and the two bushings as marks on the line of their centres."""
    z = machine_lengths([station.seat_z_mm(seat) for station in stations for seat in station.seats], far).tolist()
    upright = plotly.lines("Stations", "--rule", width=1) | plotly.joined(((x, low), (x, high)) for x in z)
    bushings = plotly.markers("Bushings", "--accent", "square", size=14) | {
        "x": typed(machine_lengths([hanging.ram.rear.z_mm, hanging.ram.front.z_mm], far)),
        "y": typed([0.0, 0.0]),
        "customdata": [["Rear bushing, its centre"], ["Front bushing, its centre"]],
    }
    return [upright, bushings]


def _read(hangs: Sequence[Hangs], unit: Unit) -> Part:
    """Mark where the ram was when each station was read, with its uncertainty."""
    per = float(unit.um)
    within = np.array([one.within_um for one in hangs]) / per
    return plotly.markers("As the stations were read", "--out", "diamond", size=11) | {
        "x": typed(machine_lengths([one.z_mm for one in hangs], machine_unit(unit))),
        "y": typed(np.array([one.deflection_um for one in hangs]) / per),
        "error_y": plotly.bars(within, within, "--out"),
        "customdata": [[_words(one, unit)] for one in hangs],
    }


def _words(one: Hangs, unit: Unit) -> str:
    hang, within = units.show_um(one.deflection_um, unit, signed=True), units.show_um(one.within_um, unit)
    seat = f", {one.seat} seat" if one.seat else ""
    return (
        f"<b>{plotly.text(one.station.name)}</b>{seat}, ram {units.show_mm(one.travel_mm, unit)} from full back<br>"
        f"{hang} ± {within} {unit.label}"
    )


def _names(stations: Sequence[Station], top: float, far: Unit) -> list[Part]:
    place: Part = {"textangle": -32, "yanchor": "bottom", "font": {"size": 13, "color": "--ink"}}
    z = [station.z_mm for station in stations]
    apart = plotly.apart(z, NAME_MM, min(z, default=0.0), max(z, default=0.0) + NAME_MM)
    room = machine_lengths(list(apart), far).tolist()
    return [
        plotly.note(plotly.text(station.name), at, top, xref="x", yref="y", **place)
        for station, at in zip(stations, room, strict=True)
    ]


def _ends(lines: Lines, far: Unit, slopes: SlopeUnit) -> list[Part]:
    """Say at the nose of each line at which position it is drawn: below, where the lines lie apart."""
    notes = []
    for place, travel in enumerate(lines.travel_mm[: len(SHARES)].tolist()):
        on = np.flatnonzero(np.isfinite(lines.slope_mm_per_m[place]))
        at = int(on[-1])
        said = {"font": {"size": 12, "color": COLORS[place]}, "xanchor": "right", "yanchor": "bottom"}
        slope = float(lines.slope_mm_per_m[place, at]) / slopes.mm_per_m
        z = float(machine_lengths(lines.z_mm[at], far))
        notes.append(plotly.note(units.show_mm(travel, far), z, slope, xref="x", yref="y2", **said))
    return notes
