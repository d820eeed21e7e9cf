"""The charts of tools and wall as plain dicts: variation over time, thin sides on the clock, wall against offset."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial

from linelog.calc.frame import clock_words
from linelog.calc.readings import View, clock_deg
from linelog.calc.units import Unit
from linelog.calc.wall import Ratio
from linelog.trends.addresses import wall_url
from linelog.trends.wall import WallPage
from linelog.trends.wall_pairs import METHODS, Learned, WallPoint, compare
from linelog.web import dial, plotly, units
from linelog.web.plotly import Part, typed, wall_ms

FEWEST_SAMPLES = 2
LOOKS = {
    "good": ("--in", "circle", 9),
    "fair": ("--unsure", "diamond", 10),
    "look": ("--unsure", "square", 11),
    "act": ("--out", "triangle-up", 14),
}
LEVELS = (
    ("good", "wall_good_um", "--in"),
    ("look", "wall_look_um", "--unsure"),
    ("act", "wall_act_um", "--out"),
)


def names(page: WallPage) -> list[str]:
    """Name the charts that have enough to show."""
    enough = {"variation": len(page.lowest) >= FEWEST_SAMPLES, "side": len(_with_a_side(page)) >= FEWEST_SAMPLES}
    enough |= {f"ratio-{method}": one.ratio is not None for method, one in page.learned.items()}
    return [name for name, shown in enough.items() if shown]


def figures(page: WallPage, unit: Unit) -> dict[str, Part]:
    """Return the charts that have enough to show, by name."""
    made: dict[str, Callable[[WallPage, Unit], Part]] = {"variation": variation_figure, "side": side_figure}
    for method, one in page.learned.items():
        if one.ratio is not None:
            made[f"ratio-{method}"] = partial(ratio_figure, one, one.ratio)
    return {name: made[name](page, unit) for name in names(page)}


def variation_figure(page: WallPage, unit: Unit) -> Part:
    """Return the variation round each can over time against the plant's levels."""
    per = float(unit.um)
    levels = [(name, getattr(page.plant, field) / per, color) for name, field, color in LEVELS]
    top = 1.15 * max(*(point.judged_um / per for point in page.drawn), *(height for _, height, _ in levels))
    first, last = (wall_ms(point.taken_at, page.zone) for point in (page.drawn[0], page.drawn[-1]))
    air = 0.02 * (last - first)
    layout: Part = {
        "height": 380,
        "margin": {"l": 84, "r": 116, "t": 16, "b": 56},
        "xaxis": {"type": "date", "range": [first - air, last + air], "title": {"text": "Date, plant's time"}},
        "yaxis": {"range": [0.0, top], "title": {"text": f"Variation, {units.label(unit)}"}, "zeroline": False},
        "showlegend": False,
        "annotations": [],
    }
    data = []
    heights = plotly.apart([height for _, height, _ in levels], top * 0.06, 0.0, top)
    for (name, height, color), at in zip(levels, heights, strict=True):
        line = plotly.lines(f"Level: {name}", color, width=2, dash="dash")
        data.append(line | {"x": typed([first - air, last + air]), "y": typed([height, height])})
        words = f"{name} {units.show_um(height * per, unit, fine=True)}"
        layout["annotations"].append(plotly.note(words, 1.0, at, xref="paper", yref="y", xshift=6))
    path = plotly.lines("From can to can", "--rule", width=1)
    lowest = page.lowest
    times = [wall_ms(point.taken_at, page.zone) for point in lowest]
    data.append(path | {"x": typed(times), "y": typed([point.judged_um / per for point in lowest])})
    return {"data": [*data, *_states(page, unit)], "layout": layout}


def _states(page: WallPage, unit: Unit) -> list[Part]:
    """One trace a state and height: the lowest height filled, a higher one hollow."""
    low = {(point.sample_id, point.height_mm) for point in page.lowest}
    traces = []
    for state, (color, symbol, size) in LOOKS.items():
        for is_low in (True, False):
            points = [
                one for one in page.drawn if one.state == state and ((one.sample_id, one.height_mm) in low) == is_low
            ]
            if points:
                name = f"{state}, {'lower' if is_low else 'upper'} height"
                look = plotly.markers(name, color, symbol if is_low else f"{symbol}-open", size=size)
                traces.append(look | _over_time(points, page, unit))
    return traces


def _over_time(points: Sequence[WallPoint], page: WallPage, unit: Unit) -> Part:
    return {
        "x": typed([wall_ms(point.taken_at, page.zone) for point in points]),
        "y": typed([point.judged_um / unit.um for point in points]),
        "customdata": [[point_words(point, page, unit), wall_url(point.sample_id)] for point in points],
    }


def point_words(point: WallPoint, page: WallPage, unit: Unit) -> str:
    """Say one can in full, for a tap."""
    when = point.taken_at.astimezone(page.zone)
    side = "no thin side" if point.thin_deg is None else f"thin side {clock_words(point.thin_deg, View.CRANK)}"
    can = f", can {plotly.text(point.can)}" if point.can else ""
    e, u, variation = (
        units.show_um(um, unit, fine=True) for um in (point.size_um, point.expanded_um, point.judged_um)
    )
    return (
        f"<b>{when:%Y-%m-%d, %H:%M}{can}</b><br>{point.height_mm:g} mm above the dome: {point.state}<br>"
        f"variation {variation} {unit.label}, e {e} ± {u}<br>{side}"
    )


def _with_a_side(page: WallPage) -> list[WallPoint]:
    return [point for point in page.lowest if point.thin_deg is not None]


def side_figure(page: WallPage, unit: Unit) -> Part:
    """Return the thin sides on a clock seen from the crank, and where the last measured offset would put it."""
    points = _with_a_side(page)
    per = float(unit.um)
    act_e = page.plant.wall_act_um / 2.0 / per
    top = 1.15 * max(act_e, *(point.size_um / per for point in points))
    step = act_e / 2.0 * math.ceil(top / act_e / 1.5)
    rings = [step * times for times in range(1, int(top / step) + 1)]
    said = [units.show_um(ring * unit.um, unit, fine=True, with_unit=True) for ring in rings]
    dots = _side_dots(points, page, unit, top)
    data = [*dial.face(top, rings), dial.circle("Act, as e", act_e, "--out"), *_expected_sides(page, top), dots]
    return {"data": data, "layout": dial.layout(top, 400, dial.ring_notes(rings, said, top, dots))}


def _side_dots(points: Sequence[WallPoint], page: WallPage, unit: Unit, top: float) -> Part:
    dots = plotly.markers("Thin side", "--accent", "circle", size=9)
    dots["marker"] = dots["marker"] | {"opacity": 0.7}
    at = dial.spots([point.thin_deg or 0.0 for point in points], [point.size_um / unit.um for point in points])
    return dots | {
        **at,
        "mode": "markers+text",
        "text": [*[""] * (len(points) - 1), " last "],
        "textposition": dial.beside(at, top),
        "textfont": {"color": "--ink", "size": 14},
        "customdata": [[point_words(point, page, unit), wall_url(point.sample_id)] for point in points],
    }


def _expected_sides(page: WallPage, top: float) -> list[Part]:
    """Return a line toward the side that the last can's offset lets expect to be thin, one a method."""
    latest, traces = page.latest, []
    for method, dash in zip(METHODS, ("solid", "dot"), strict=True):
        offset = page.match(latest, method).offset if latest else None
        if latest is None or offset is None or offset.size_um <= offset.expanded_um:
            continue
        found = compare(latest, offset, page.learned[method])
        toward = clock_deg(-found.expected_x_um, -found.expected_y_um)
        traces.append(dial.ray(f"Thin side by the {method} offset", toward, top, dash=dash))
    return traces


def ratio_figure(learned: Learned, ratio: Ratio, page: WallPage, unit: Unit) -> Part:
    """Return both components of every pair, the learned ratio, and the rigid tools' line."""
    per = float(unit.um)
    reach = 1.1 * max(max(abs(one.offset_x_um), abs(one.offset_y_um)) for one in learned.pairs) / per
    most = 1.1 * max(max(abs(one.x_um), abs(one.y_um)) for one in learned.pairs) / per
    tall = max(most, reach * abs(ratio.value), 1e-9)
    data = [_slope("Rigid tools", 1.0, min(reach, tall), "--quiet", "dash")]
    data.append(_slope("This plant's ratio", ratio.value, reach, "--ink", "solid"))
    if ratio.up_um:
        up = ratio.up_um / per
        data.append(_slope("This plant's ratio, up", ratio.value, reach, "--ink", "dot", up))
    for own, name, color, fill in (
        (False, "Other machines", "--quiet", "-open"),
        (True, "This machine", "--accent", ""),
    ):
        pairs = [one for one in learned.pairs if (one.machine_id == page.machine.pk) == own]
        if pairs:
            across = [(one.offset_x_um / per, one.x_um / per) for one in pairs]
            upward = [(one.offset_y_um / per, one.y_um / per) for one in pairs]
            for way, spots, symbol in (("across", across, f"circle{fill}"), ("up", upward, f"triangle-up{fill}")):
                look = plotly.markers(f"{name}, {way}", color, symbol, size=10)
                told = [[f"{name}, {way}: mean of {one.cans} cans"] for one in pairs]
                data.append(look | {**_xy(spots), "customdata": told})
    label = units.label(unit)
    layout = {
        "height": 360,
        "margin": {"l": 84, "r": 24, "t": 16, "b": 56},
        "xaxis": {"range": [-reach, reach], "title": {"text": f"Offset, {learned.method}, {label}"}},
        "yaxis": {"range": [-tall, tall], "title": {"text": f"Wall e, {label}"}},
        "showlegend": False,
    }
    return {"data": data, "layout": layout}


def _xy(spots: Sequence[tuple[float, float]]) -> Part:
    return {"x": typed([x for x, _ in spots]), "y": typed([y for _, y in spots])}


def _slope(name: str, slope: float, reach: float, color: str, dash: str, up: float = 0.0) -> Part:
    line = plotly.lines(name, color, width=2, dash=dash)
    return line | _xy([(-reach, up - slope * reach), (reach, up + slope * reach)])
