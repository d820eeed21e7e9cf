"""Which way a station is found out of line: its as-found offsets round the clock, and whether they agree."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linelog.alignment.standing import AS_FOUND, Value
from linelog.calc import frame
from linelog.calc.directions import FEWEST, Directions, agreement
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.trends import words
from linelog.trends.panels import COLORS, SYMBOLS, value_words
from linelog.trends.series import OffsetSeries
from linelog.trends.trend import Trend
from linelog.web import dial, plotly, units
from linelog.web.plotly import Part, typed

FACE_PX = 380


@dataclass(frozen=True, slots=True)
class Clock:
    """As-found offsets of one station, seat and method that point somewhere, and how they agree."""

    series: OffsetSeries
    values: tuple[Value, ...]
    found: Directions | None

    @property
    def key(self) -> str:
        """A name for the figure, good in an address."""
        return f"clock-{self.series.station.pk}-{self.series.seat or 'one'}-{self.series.values[0].series}"

    @property
    def view(self) -> View:
        """The end it is shown from: that of the station's usual set-up."""
        return View(self.series.station.view)

    @property
    def enough(self) -> bool:
        """Whether there are as-found values enough to speak of a direction."""
        return self.found is not None and self.found.n >= FEWEST

    @property
    def unclear(self) -> int:
        """Values no larger than their own uncertainty: their direction is mostly chance."""
        return sum(value.radial_um <= value.expanded_um for value in self.values)


def clocks(trend: Trend) -> list[Clock]:
    """Return one clock a series; an offset of exactly zero points nowhere and is left out."""
    made = []
    for series in trend.offsets:
        values = tuple(value for value in series.found if value.radial_um > 0.0)
        found = agreement([value.direction_deg for value in values]) if values else None
        made.append(Clock(series, values, found))
    return made


def clock_words(clock: Clock) -> str:
    """Say in plain words whether the directions agree."""
    if clock.found is None or not clock.enough:
        count = len(clock.values)
        return f"{words.number(count)} as-found {'value' if count == 1 else 'values'}: no common direction yet."
    found = clock.found
    few = f" {words.plural(clock.unclear, 'value')} within its own uncertainty." if clock.unclear else ""
    if found.mean_deg is None or found.p is None:
        return f"{found.n} as-found values that cancel one another: no common direction.{few}"
    toward = f"mean direction {frame.clock_words(found.mean_deg, clock.view)}"
    return f"{found.n} as-found values, {toward}. {chance_words(found.p)}{few}"


def chance_words(p: float) -> str:
    """Say a Rayleigh p in plain words."""
    if p >= 0.05:
        return (
            f"No common direction shown: scattered directions agree this well by chance {_one_in(p)} (p = {p:.2f})."
        )
    shown = f"p = {p:.3f}" if p >= 0.001 else "p < 0.001"
    strength = "They point the same way" if p < 0.01 else "They seem to point the same way"
    return f"{strength}: scattered directions would agree this well {_one_in(p)} ({shown}, Rayleigh test)."


def _one_in(p: float) -> str:
    if p < 0.0001:
        return "less than once in 10 000 times"
    if p > 0.4:
        return "about every second time or more often"
    times = round(1.0 / p) if p > 0.01 else 10 * round(0.1 / p)
    return f"about once in {times:,} times".replace(",", "\u202f")


def clock_figure(clock: Clock, trend: Trend, unit: Unit) -> Part | None:
    """Return the clock face seen from `clock.view`: 12 on top, clockwise, radius in `unit`, the limit as a circle."""
    if not clock.enough:
        return None
    limit = clock.values[-1].limit_um
    top_um = 1.15 * max(limit, *(value.radial_um for value in clock.values))
    every = math.ceil(0.25 * top_um / limit)  # so that their figures stand free of one another
    rings = [times * limit for times in range(1, math.floor(top_um / limit) + 1, every)]
    top, heights = top_um / unit.um, [ring / unit.um for ring in rings]
    dots, mean = _dots(clock, trend, unit, top), _mean(clock, top)
    said = [units.show_um(ring, unit, with_unit=True) for ring in rings]
    notes = dial.ring_notes(heights, said, top, _taken(dots, clock, top))
    limits = dial.circle("Limit", limit / unit.um, "--out")
    return {"data": [*dial.face(top, heights), limits, *mean, dots], "layout": dial.layout(top, FACE_PX, notes)}


def _toward(clock: Clock) -> float | None:
    if clock.found is None or clock.found.mean_deg is None:
        return None
    return frame.turn_deg(clock.found.mean_deg, clock.view)


def _mean(clock: Clock, top: float) -> list[Part]:
    toward = _toward(clock)
    return [] if toward is None else [dial.ray("Mean direction", toward, top)]


def _taken(dots: Part, clock: Clock, top: float) -> Part:
    """Return where the rings' figures must not stand: on the values and along the mean direction."""
    toward = _toward(clock)
    line = dial.spots([toward or 0.0] * 9, np.linspace(0.0, 0.0 if toward is None else top, 9))
    return {axis: typed(np.concatenate([plotly.untyped(dots[axis]), plotly.untyped(line[axis])])) for axis in "xy"}


def _dots(clock: Clock, trend: Trend, unit: Unit, top: float) -> Part:
    series = clock.series
    color = COLORS[series.number % len(COLORS)]
    name = f"{series.label}: as found, {series.method}"
    at = dial.spots(
        [frame.turn_deg(value.direction_deg, clock.view) for value in clock.values],
        [value.radial_um / unit.um for value in clock.values],
    )
    return plotly.markers(name, color, SYMBOLS[series.method, AS_FOUND]) | {
        **at,
        "mode": "markers+text",
        "text": [*[""] * (len(clock.values) - 1), " last "],
        "textposition": dial.beside(at, top),
        "textfont": {"color": "--ink", "size": 14},
        "customdata": [
            [value_words(value, words.place(series.station, series.seat), trend, unit)] for value in clock.values
        ],
    }
