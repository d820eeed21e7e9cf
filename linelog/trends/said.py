"""What is said beside the charts, and in their place where there is too little to draw."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.trends import words
from linelog.trends.rates import (
    FEWEST_EXPECTED,
    FIRM_POINTS,
    MEASURES,
    Measure,
    RateTrend,
    clear_scale,
    spread_words,
)
from linelog.trends.trend import Trend


@dataclass(frozen=True, slots=True)
class Said:
    """Sentences on one panel; `drawn` is False where they stand in its place."""

    title: str
    drawn: bool
    sentences: tuple[str, ...]


def all_said(trend: Trend) -> list[Said]:
    """Return what is said of each panel."""
    return [_offsets(trend), *(_rate(trend, measure, trend.rates[measure.key]) for measure in MEASURES)]


def _offsets(trend: Trend) -> Said:
    sentences = [] if trend.offsets_enough else [_too_few_visits(trend)]
    if trend.set_aside:
        sentences.append(f"{words.plural(trend.set_aside, 'value')} set aside by amendments: left out here.")
    return Said("Offsets", trend.offsets_enough, tuple(sentences))


def _too_few_visits(trend: Trend) -> str:
    if not trend.stations:
        return "No station is chosen, so there is no offset to show."
    names = ", ".join(station.name for station in trend.stations)
    if trend.visits == 0:
        return f"No signed visit measured {names} in this span."
    return f"{words.number(trend.visits)} {'visit' if trend.visits == 1 else 'visits'}: no trend yet."


def _rate(trend: Trend, measure: Measure, rate: RateTrend | None) -> Said:
    step = "week" if trend.counted.by_week else "day"
    if rate is None:
        return Said(measure.name, False, ("No cans counted in this span.",))
    if not rate.enough:
        few = f"{words.number(len(rate.day))} {step}{'' if len(rate.day) == 1 else 's'} counted: too few for a chart."
        return Said(measure.name, False, (few,))
    return Said(measure.name, True, tuple(_on_drawn_rate(trend, rate, step)))


def _on_drawn_rate(trend: Trend, rate: RateTrend, step: str) -> list[str]:
    sentences = [spread_words(rate)]
    beyond = int(rate.chart.beyond.sum())
    if beyond:
        sentences.append(f"{words.plural(beyond, step)} beyond the limits, shown as triangles.")
    if len(rate.day) < FIRM_POINTS:
        sentences.append(f"Only {words.plural(len(rate.day), step)}: the limits are provisional.")
    if rate.expected < FEWEST_EXPECTED:
        sentences.append(
            f"Fewer than one is expected in an ordinary {step}: such limits say little; take a longer step."
        )
    above = clear_scale(rate)[1]
    if above:
        few = f"{words.plural(above, step)} with few cans" if above == 1 else f"{above} {step}s with few cans"
        sentences.append(f"{few} above the top of the chart: see the table.")
    return sentences


def count_notes(trend: Trend) -> list[str]:
    """Say how the counts were put together where it is not as asked or something is left out."""
    notes = []
    if trend.counted.too_many_days:
        notes.append("Too many days to tell apart: shown by week.")
    if trend.counted.empty:
        step = "week" if trend.counted.by_week else "day"
        notes.append(f"{words.plural(trend.counted.empty, step)} without cans left out.")
    return notes
