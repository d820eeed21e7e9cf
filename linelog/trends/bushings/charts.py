"""The chart of bushing life as a plain dict for plotly: clearances over time, growth, wear limits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from linelog.calc.units import Unit
from linelog.trends.bushings.life import Life
from linelog.web import plotly, units
from linelog.web.plotly import Part, typed

COLORS = ("--series-1", "--series-2")
SYMBOLS = ("circle", "square")


def _ms(day: dt.date) -> float:
    return (day - dt.date(1970, 1, 1)).days * plotly.DAY_MS


def bushing_figure(lives: Sequence[Life], unit: Unit) -> Part:
    """Return the chart; lengths in the reader's unit."""
    label = units.label(unit)
    data: list[Part] = []
    for number, life in enumerate(lives):
        if life.measured:
            color, symbol = COLORS[number % 2], SYMBOLS[number % 2]
            data += [_marks(life, unit, color, symbol), _limit(life, unit, color), *_growth(life, unit, color)]
    layout: Part = {
        "height": 420,
        "margin": {"l": 76, "r": 24, "t": 20, "b": 48},
        "xaxis": {"type": "date"},
        "yaxis": {"title": {"text": f"Diametral clearance, {label}"}, "rangemode": "tozero"},
        "legend": {"orientation": "h", "y": 1.12},
    }
    return {"data": data, "layout": layout}


def _marks(life: Life, unit: Unit, color: str, symbol: str) -> Part:
    rows = [one.row for one in life.measured]
    within = np.array([row.expanded_um for row in rows]) / unit.um
    said = [
        [f"{plotly.text(str(life.station))}, {one.day}: {units.show_um(one.row.clearance_um, unit, with_unit=True)}"]
        for one in life.measured
    ]
    return plotly.markers(f"{life.station}, measured", color, symbol, size=11) | {
        "x": typed([_ms(one.day) for one in life.measured]),
        "y": typed(np.array([row.clearance_um for row in rows]) / unit.um),
        "error_y": plotly.bars(within, within, color),
        "customdata": said,
    }


def _limit(life: Life, unit: Unit, color: str) -> Part:
    first = life.measured[0].day
    last = life.expected.on if life.expected else life.measured[-1].day + dt.timedelta(days=60)
    x, height = [_ms(first), _ms(max(last, life.measured[-1].day))], life.limit_um / unit.um
    return plotly.lines(f"{life.station}, wear limit", color, dash="dot") | {"x": typed(x), "y": typed([height] * 2)}


def _growth(life: Life, unit: Unit, color: str) -> list[Part]:
    """Draw the fitted growth from the first measurement to the last, and on to the limit where that is expected."""
    if life.wear is None:
        return []
    ends = [life.measured[0], life.measured[-1]]
    began = life.fitted.fitted_on if life.fitted else life.measured[0].day
    x = [one.million if one.million is not None else float((one.day - began).days) for one in ends]
    days = [one.day for one in ends]
    heights = [life.wear.start_um + life.wear.slope * value for value in x]
    if life.expected is not None and life.expected.on > days[-1]:
        days.append(life.expected.on)
        heights.append(life.limit_um)
    return [
        plotly.lines(f"{life.station}, growth", color)
        | {"x": typed([_ms(day) for day in days]), "y": typed(np.array(heights) / unit.um)}
    ]
