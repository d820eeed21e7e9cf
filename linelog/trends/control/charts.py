"""The control charts of one machine and one count, to be looked at: limits and weighted mean against its own past.

They raise no signal. The limits of a calendar quarter rest on the 182 days before it, so that those of a day stay as
they are when later days come in. Where too little was counted before, they rest on all points of the first quarters
and are said to be provisional.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray
from linelog.calc.control import Chart, ewma_chart, rate_chart, standardised
from linelog.calc.rates import MILLION
from linelog.production.queries import Days, DaySeries, weekly
from linelog.trends.rates import Measure

BASE_DAYS = 182
FEWEST_BASE = 20  # points that limits need before they are firm: common practice, no source
FEWEST_POINTS = 8  # below this there is no chart
EWMA_WEIGHT, EWMA_WIDTH = 0.2, 3.0


@dataclass(frozen=True, slots=True)
class Block:
    """A calendar quarter: what its limits rest on. `provisional` where that is not the 182 days before it."""

    begins: dt.date
    until: dt.date
    base_from: dt.date
    base_until: dt.date
    base_points: int
    provisional: bool
    centre: float
    widening: float


@dataclass(frozen=True, slots=True)
class Charts:
    """Rates per million with limits, all arrays of shape (n,), in time order; points without cans are left out.

    z  distances from the centre in sigmas, widened where the baseline scatters more than chance
    """

    measure: Measure
    day: Days
    counts: FloatArray
    made: FloatArray
    rate: FloatArray
    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    z: FloatArray
    beyond: BoolArray
    ewma: Chart
    blocks: tuple[Block, ...]
    by_week: bool = False


def charts(measure: Measure, series: DaySeries, *, by_week: bool = False) -> Charts | None:
    """Work out the charts of a series of days, or shifts, or summed to weeks; None where there are too few points."""
    summed = weekly(series) if by_week else series
    some = summed.made > 0
    if int(some.sum()) < FEWEST_POINTS:
        return None
    day = summed.day[some]
    counts, made = measure.counts(summed)[some].astype(float), summed.made[some].astype(float)
    columns = np.zeros((4, len(day)))  # centre, lower, upper, z
    beyond = np.zeros(len(day), dtype=bool)
    blocks = []
    for begins, inside in _quarters(day):
        block, values, out = _block(day, counts, made, begins, inside)
        columns[:, inside], beyond[inside] = values, out
        blocks.append(block)
    centre, lower, upper, z = columns
    smooth = ewma_chart(z, target=0.0, sigma=1.0, weight=EWMA_WEIGHT, width=EWMA_WIDTH, steady=True)
    rate = counts / made * MILLION
    return Charts(measure, day, counts, made, rate, centre, lower, upper, z, beyond, smooth, tuple(blocks), by_week)


def _quarters(day: Days) -> list[tuple[dt.date, BoolArray]]:
    number = day.astype("datetime64[M]").astype(int) // 3
    return [
        (np.datetime64(int(one) * 3, "M").astype("datetime64[D]").item(), number == one) for one in np.unique(number)
    ]


def _block(
    day: Days, counts: FloatArray, made: FloatArray, begins: dt.date, inside: BoolArray
) -> tuple[Block, FloatArray, BoolArray]:
    """Return a quarter's limits and distances, (4, points in it), and which points lie beyond."""
    first = np.datetime64(begins, "D")
    base = (day >= first - BASE_DAYS) & (day < first)
    provisional = int(base.sum()) < FEWEST_BASE or counts[base].sum() == 0.0
    if provisional:  # all that is known up to the end of the quarter
        base = (day >= first - BASE_DAYS) & (day <= day[inside][-1])
    taken = base | inside
    chart = rate_chart(counts[taken], made[taken], per=MILLION, baseline=base[taken])
    z = standardised(counts[taken], made[taken], baseline=base[taken]) / chart.widening
    here = inside[taken]
    values = np.stack([np.full(int(here.sum()), chart.centre), chart.lower[here], chart.upper[here], z[here]])
    span = day[base]
    until, ends = day[inside][-1].item(), (span[0].item(), span[-1].item())
    block = Block(begins, until, *ends, len(span), provisional, chart.centre, chart.widening)
    return block, values, chart.beyond[here]
