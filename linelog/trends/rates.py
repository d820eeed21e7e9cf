"""Rates of a machine by day or week, with exact intervals and control limits, for one chart and its table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.control import Chart, rate_chart
from linelog.calc.rates import Rates, rates_per_million
from linelog.production.queries import Days, DaySeries, weekly

FEWEST_POINTS = 3  # below this there is nothing to draw
FIRM_POINTS = 20  # below this limits are provisional: common practice, no source
FEWEST_EXPECTED = 1.0  # counts a subgroup; below this three-sigma limits say little
MOST_DAYS = 400  # more points than this are no longer told apart on a tablet


@dataclass(frozen=True, slots=True)
class Measure:
    """What is counted, and how its rate is written; `per_million` rates are divided by `divisor`."""

    key: str
    name: str
    unit: str
    divisor: float
    decimals: int
    counts: Callable[[DaySeries], IntArray]


TEAR_OFFS = Measure("tear_offs", "Tear-offs", "per million cans", 1.0, 1, lambda days: days.tear_offs)
SPOILED = Measure("spoiled", "Spoiled", "% of cans", 10_000.0, 3, lambda days: days.spoiled)
MEASURES = (TEAR_OFFS, SPOILED)
BY_KEY = {measure.key: measure for measure in MEASURES}


@dataclass(frozen=True, slots=True)
class RateTrend:
    """A rate in its own unit, one value a day or week in which cans were made."""

    measure: Measure
    day: Days
    rates: Rates
    chart: Chart

    @property
    def enough(self) -> bool:
        """Whether there is something to draw."""
        return len(self.day) >= FEWEST_POINTS

    @property
    def above(self) -> BoolArray:
        """Points beyond the upper limit."""
        return self.chart.beyond & (self.chart.values > self.chart.centre)

    @property
    def below(self) -> BoolArray:
        """Points beyond the lower limit."""
        return self.chart.beyond & (self.chart.values < self.chart.centre)

    @property
    def expected(self) -> float:
        """Counts that an ordinary day or week brings."""
        return self.chart.centre * self.measure.divisor / 1e6 * float(np.median(self.rates.cans))


@dataclass(frozen=True, slots=True)
class Counted:
    """The counts of a span by day or week: those with cans, and how many had none."""

    days: DaySeries
    by_week: bool
    too_many_days: bool
    empty: int

    @property
    def step(self) -> int:
        """Days that one point stands for."""
        return 7 if self.by_week else 1


def counted(series: DaySeries, *, by_week: bool) -> Counted:
    """Sum days to weeks where that is asked for, or days are too many to draw; leave out empty ones."""
    too_many = not by_week and len(series) > MOST_DAYS
    summed = weekly(series) if by_week or too_many else series
    some = summed.made > 0
    kept = summed if some.all() else summed.where(some)
    return Counted(kept, by_week or too_many, too_many, len(summed) - len(kept))


def day_by_day(
    measure: Measure, series: Mapping[int, DaySeries], machines: Sequence[int], first: dt.date, days: int
) -> tuple[FloatArray, FloatArray]:
    """Return counts and cans begun of machines, zero where none are stored; each of shape (machines, days)."""
    counts, cans = np.zeros((len(machines), days)), np.zeros((len(machines), days))
    for row, machine in enumerate(machines):
        own = series[machine].where(series[machine].made > 0)
        at = (own.day - np.datetime64(first, "D")).astype(np.int64)
        counts[row, at], cans[row, at] = measure.counts(own), own.made
    return counts, cans


def rate_trend(measure: Measure, days: DaySeries) -> RateTrend | None:
    """Work out a rate with its exact interval and its limits; None where nothing was made.

    The rate rests on every can begun. Limits are those of a u chart, one for each subgroup's own number of cans;
    where the counts scatter more than chance alone makes them, Laney's. The centre is that of all cans shown.
    """
    if len(days) == 0:
        return None
    counts, made = measure.counts(days), days.made
    exact = rates_per_million(counts, made)
    per = measure.divisor
    scaled = Rates(exact.rate / per, exact.low / per, exact.high / per, exact.counts, exact.cans)
    return RateTrend(measure, days.day, scaled, rate_chart(counts, made, per=1e6 / per))


def clear_scale(trend: RateTrend) -> tuple[float, int]:
    """Return the top of the chart, and how many points lie above it.

    A day with few cans has an interval that would flatten all others: the scale is made for days with at least a
    fifth of the usual cans.
    """
    solid = trend.rates.cans >= 0.2 * float(np.median(trend.rates.cans))
    reach = [trend.rates.high[solid], trend.chart.upper[solid], trend.rates.rate[solid]]
    top = 1.08 * max(float(part.max()) for part in reach)
    return max(top, 1e-9), int((trend.rates.rate > top).sum())


def spread_words(trend: RateTrend) -> str:
    """Say what the limits rest on."""
    base = f"Centre line: all cans shown, {trend.chart.centre:.{trend.measure.decimals}f} {trend.measure.unit}. "
    if trend.chart.widening > 1.0:
        return base + (
            f"The counts scatter {trend.chart.widening:.1f} times as far as chance alone would make them, so the "
            "limits are widened by that much (Laney's correction)."
        )
    return base + "Limits: three sigma, for the cans of each point."
