"""The funnel plot of a ranking as a plain dict for plotly: each machine's own rate over its cans, within limits."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from linelog.plant.models import Machine
from linelog.trends.models import Fit
from linelog.trends.ranking.shown import SAYS, written
from linelog.trends.ranking.yardstick import above_or_below
from linelog.trends.rates import Measure
from linelog.web import placing, plotly
from linelog.web.plotly import Part, typed

HEIGHT, MARGIN = 460, {"l": 76, "r": 84, "t": 20, "b": 56}
AIR = 0.06  # of the scale's length, so that no mark stands on its edge
DIGITS = ((1, 2, 5), range(1, 10), [tenth / 10 for tenth in range(10, 100)])  # coarse where that gives enough
FEWEST_TICKS = 3
LOOKS = (
    ("no different", "--accent", "circle"),
    ("above", "--out", "triangle-up"),
    ("below", "--in", "triangle-down"),
)


def funnel_figure(fit: Fit, measure: Measure, names: dict[int, Machine]) -> Part | None:
    """Return the funnel plot with limits for 95 % and 99.8 %; None where there is no ranking."""
    columns, shape = fit.result.get("columns"), fit.result.get("funnel")
    if not columns or not shape:
        return None
    per, cans = measure.divisor, np.array(shape["cans"]) / 1e6
    usual = fit.result["usual"] / per
    top = 1.15 * max(float(np.max(columns["rate"])) / per, float(shape["lines"][3][len(cans) // 2]) / per)
    low, high = (math.log10(cans[end]) for end in (0, -1))
    span = (low - AIR * (high - low), high)
    traces = [*_limits(shape, cans, per)]
    traces.append(plotly.lines("Usual rate", "--ink") | {"x": typed(cans[[0, -1]]), "y": typed([usual, usual])})
    traces += _points(columns, fit.result["usual"], measure, names)
    return {
        "data": [{**trace, "xaxis": "x", "yaxis": "y"} for trace in traces],
        "layout": {
            "height": HEIGHT,
            "margin": MARGIN,
            "xaxis": {"type": "log", "range": list(span), "title": {"text": "Million cans begun"}, **_ticks(*span)},
            "yaxis": {"range": [0.0, top], "title": {"text": f"{measure.name} {measure.unit}"}, "zeroline": False},
            "annotations": [*_ends(shape, per, top), *_named(columns, fit.result["usual"], per, names, span, top)],
            "showlegend": False,
        },
    }


def _limits(shape: dict[str, Any], cans: np.ndarray, per: float) -> list[Part]:
    traces = []
    for number, edge in enumerate(shape["lines"]):
        line = plotly.lines("95 %" if number < 2 else "99.8 %", "--quiet", dash="dash" if number < 2 else "solid")
        traces.append(line | {"x": typed(cans), "y": typed(np.array(edge) / per)})
    return traces


def _ends(shape: dict[str, Any], per: float, top: float) -> list[Part]:
    wanted = [shape["lines"][number][-1] / per for number in (1, 3)]
    heights = plotly.apart(wanted, 0.05 * top, 0.0, top)
    place: Part = {"xref": "paper", "yref": "y", "xshift": 6}
    return [plotly.note(word, 1.0, at, **place) for word, at in zip(("95 %", "99.8 %"), heights, strict=True)]


def _ticks(low: float, high: float) -> Part:
    """Return round ticks, written in full: the library writes those between powers of ten as 2 and 5 alone."""
    powers = [10.0**power for power in range(math.floor(low), math.ceil(high) + 1)]
    for digits in DIGITS:
        ticks = [round(digit * power, 9) for power in powers for digit in digits]
        shown = [tick for tick in ticks if low <= math.log10(tick) <= high]
        if len(shown) >= FEWEST_TICKS:
            break
    return {"tickvals": shown, "ticktext": [f"{tick:.9g}" for tick in shown]}


def _said_of(columns: dict[str, Any], usual: float) -> list[str]:
    ends = zip(columns["low"], columns["high"], strict=True)
    return [above_or_below(low, high, usual) for low, high in ends]


def _named(
    columns: dict[str, Any],
    usual: float,
    per: float,
    names: dict[int, Machine],
    span: tuple[float, float],
    top: float,
) -> list[Part]:
    """Name the machines that differ, and the others where there is room."""
    height = float(HEIGHT - MARGIN["t"] - MARGIN["b"])
    points, at = [], []
    for number, word in enumerate(_said_of(columns, usual)):
        if columns["machine"][number] not in names:
            continue
        cans, rate = math.log10(columns["made"][number] / 1e6), columns["rate"][number] / per
        share = (cans - span[0]) / (span[1] - span[0])
        called = str(names[columns["machine"][number]])
        points.append(placing.Named(called, share, height * rate / top, word != "no different"))
        at.append((cans, rate))  # a note on a log axis stands at the logarithm
    return placing.notes(points, at, height)


def _points(columns: dict[str, Any], usual: float, measure: Measure, names: dict[int, Machine]) -> list[Part]:
    where = _said_of(columns, usual)
    traces = []
    for word, color, symbol in LOOKS:
        some = [at for at, said in enumerate(where) if said == word and columns["machine"][at] in names]
        if not some:
            continue
        said = [
            [
                f"<b>{plotly.text(str(names[columns['machine'][at]]))}</b>: "
                f"{written(measure, columns['rate'][at])} {measure.unit}<br>{SAYS[word]}"
            ]
            for at in some
        ]
        traces.append(
            plotly.markers("Machines", color, symbol, size=11)
            | {
                "x": typed([columns["made"][at] / 1e6 for at in some]),
                "y": typed([columns["rate"][at] / measure.divisor for at in some]),
                "customdata": said,
            }
        )
    return traces
