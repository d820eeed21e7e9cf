"""The chart of static and running reconciled as a plain dict for plotly: pairs, their mean, and the beam."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from django.utils import timezone

from linelog.alignment.reconciled import Reconciled
from linelog.calc.units import Unit
from linelog.web import plotly, units
from linelog.web.plotly import Part, typed

HEIGHT = 560
PAIRS_WIDE, MEAN_AT, BEAM_AT = 0.34, 0.12, 0.28
AXES = ((1, "y", "Up"), (0, "y2", "Across"))


def reconciled_figure(found: Sequence[Reconciled], unit: Unit) -> Part:
    """Return the chart: running less static, up above and across below, one place along x a station."""
    label = units.label(unit)
    layout: Part = {
        "height": HEIGHT,
        "margin": {"l": 76, "r": 24, "t": 20, "b": 56},
        "showlegend": False,
        "xaxis": {
            "tickvals": list(range(len(found))),
            "ticktext": [plotly.text(one.station.name) for one in found],
            "range": [-0.5, len(found) - 0.5],
            "showgrid": False,
            "anchor": "y2",
            "zeroline": False,
        },
        "yaxis": {"domain": [0.42, 1.0], "title": {"text": f"Up: running less static, {label}"}},
        "yaxis2": {"domain": [0.0, 0.34], "title": {"text": f"Across, {label}"}},
    }
    data: list[Part] = []
    for axis, y, name in AXES:
        data += [_pairs(found, axis, y, name, unit), _means(found, axis, y, name, unit)]
        data.append(_beams(found, axis, y, name, unit))
    return {"data": data, "layout": layout}


def _pairs(found: Sequence[Reconciled], axis: int, y: str, name: str, unit: Unit) -> Part:
    """Mark every pair, the oldest on the left."""
    x: list[float] = []
    heights: list[float] = []
    said: list[list[str]] = []
    for place, one in enumerate(found):
        n = len(one.pairs)
        for number, pair in enumerate(one.pairs):
            value = pair.pair.difference_um[axis]
            x.append(place - PAIRS_WIDE + PAIRS_WIDE * (number + 0.5) / n)
            heights.append(value / unit.um)
            when = timezone.localtime(pair.pair.running.when).date()
            said.append([f"{plotly.text(one.station.name)}, {when}: {units.show_um(value, unit, signed=True)}"])
    marks = plotly.markers(f"{name}: pairs", "--series-1", "circle", size=8)
    return marks | {"x": typed(x), "y": typed(heights), "customdata": said, "yaxis": y}


def _means(found: Sequence[Reconciled], axis: int, y: str, name: str, unit: Unit) -> Part:
    """Mark the learned means with the interval of the next difference."""
    taught = [(place, one.learned) for place, one in enumerate(found) if one.learned is not None]
    within = np.array([learned.next_within_um[axis] for _, learned in taught]) / unit.um
    marks = plotly.markers(f"{name}: learned mean, next within", "--ink", "square", size=12)
    return marks | {
        "x": typed([place + MEAN_AT for place, _ in taught]),
        "y": typed(np.array([learned.mean_um[axis] for _, learned in taught]) / unit.um),
        "error_y": plotly.bars(within, within, "--ink"),
        "customdata": [[f"Learned from {learned.pairs} pairs"] for _, learned in taught],
        "yaxis": y,
    }


def _beams(found: Sequence[Reconciled], axis: int, y: str, name: str, unit: Unit) -> Part:
    """Mark what the beam says: nothing across, the droop up and down."""
    told = [(place, one.beam) for place, one in enumerate(found) if one.beam is not None]
    within = np.array([2.0 * beam.u_um if axis else 0.0 for _, beam in told]) / unit.um
    marks = plotly.markers(f"{name}: the beam", "--out", "diamond", size=12)
    return marks | {
        "x": typed([place + BEAM_AT for place, _ in told]),
        "y": typed(np.array([beam.deflection_um if axis else 0.0 for _, beam in told]) / unit.um),
        "error_y": plotly.bars(within, within, "--out"),
        "customdata": [["By the ram's droop"] for _ in told],
        "yaxis": y,
    }
