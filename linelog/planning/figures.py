"""The chance of being out against strokes, as a plain dict for plotly."""

from __future__ import annotations

import numpy as np

from linelog.trends.state.outlook import MachineState, PlaceNow
from linelog.web import plotly
from linelog.web.plotly import Part, typed

POINTS = 81
LEAST_MILLION = 10.0  # so far the chart always looks ahead
COLOURS = ("--out", "--accent", "--unsure", "--in", "--ink", "--quiet")
DASHES = ("solid", "dash", "dot", "dashdot", "longdash")


def drawn(outlook: MachineState) -> list[PlaceNow]:
    """Return the places whose chance is known, those nearest to the risk first."""
    known = [one for one in outlook.places if one.place.is_known]
    return sorted(known, key=lambda one: (one.left_million is None, one.left_million or 0.0, one.label))


def risk_figure(outlook: MachineState) -> Part | None:
    """Return the chance of being out from now on, of each place and of any; None where none is known."""
    places = drawn(outlook)
    if not places:
        return None
    left = [one.left_million for one in places if one.left_million is not None]
    a_day = outlook.facts.risk.a_day_million if outlook.facts.risk else None
    ahead = max(LEAST_MILLION, min(1.5 * max([*left, 0.0]), 60.0), 60.0 * (a_day or 0.0))
    strokes = np.linspace(0.0, ahead, POINTS)
    percent = outlook.machine.line.plant.machine_risk_percent
    data = [_machine(outlook, strokes), *(_trace(one, number, strokes) for number, one in enumerate(places))]
    risk = plotly.lines("the plant's risk", "--ink", width=2, dash="4px 4px")
    data.append(risk | {"x": typed([0.0, ahead]), "y": typed([percent, percent]), "showlegend": False})
    days = f" ({a_day:.2f} million a day now)" if a_day else ""
    layout: Part = {
        "height": 470,
        "margin": {"l": 70, "r": 16, "t": 100, "b": 56},
        "xaxis": {"title": {"text": f"Million strokes from now{days}"}, "range": [0.0, ahead]},
        "yaxis": {"title": {"text": "Chance of being out, %"}, "range": [0.0, 100.0]},
        "legend": {"orientation": "h", "x": 0.0, "y": 1.0, "yanchor": "bottom"},
        "showlegend": True,
        "annotations": [
            plotly.note(
                f"a check is due at {percent:g} % of any station",
                ahead,
                percent,
                xref="x",
                yref="y",
                xanchor="right",
                yshift=10,
            )
        ],
    }
    return {"data": data, "layout": layout}


def _machine(outlook: MachineState, strokes: np.ndarray) -> Part:
    line = plotly.lines("any station", "--ink", width=4, dash="solid")
    line |= {"x": typed(strokes), "y": typed(100.0 * outlook.chances(strokes)), "hoverinfo": "all"}
    line["hovertemplate"] = "<b>any station</b>: %{y:.0f} % after %{x:.1f} million<extra></extra>"
    return line


def _trace(one: PlaceNow, number: int, strokes: np.ndarray) -> Part:
    chance = 100.0 * np.minimum(one.chances(strokes), one.place.surest)
    rests = f"found again {one.place.pairs} times; the line ends at {100.0 * one.place.surest:.0f} %"
    line = plotly.lines(one.label, COLOURS[number % len(COLOURS)], width=2.5, dash=DASHES[number % len(DASHES)])
    line |= {"x": typed(strokes), "y": typed(chance), "hoverinfo": "all"}
    line["hovertemplate"] = (
        f"<b>{plotly.text(one.label)}</b>: %{{y:.0f}} % after %{{x:.1f}} million<br>{rests}<extra></extra>"
    )
    return line
