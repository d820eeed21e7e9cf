"""The three control charts of one machine and one count: limits, weighted mean, and sums.

The limits of a calendar quarter rest on the 182 days before it, so that the limits of a day, and its signals, stay as
they are when later days come in. Where too little was counted before, they rest on all points of the first quarters
and are said to be provisional.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray
from linelog.calc.control import Chart, ewma_chart, rate_chart, run_starts, standardised
from linelog.calc.cusum import AfterSignal, Cusum, Shift, cusum
from linelog.calc.rates import MILLION
from linelog.production.queries import Days, DaySeries, weekly
from linelog.trends.models.control import Signal
from linelog.trends.rates import Measure

BASE_DAYS = 182
FEWEST_BASE = 20  # points that limits need before they are firm: common practice, no source
FEWEST_POINTS = 8  # below this there is no chart
ENOUGH_EXPECTED = 5.0  # counts a day; with fewer, weeks are charted (small counts lean to the upper side)
EWMA_WEIGHT, EWMA_WIDTH, CUSUM_K, CUSUM_H = 0.2, 3.0, 0.5, 5.0
SAME_SHIFT = 7  # points within which a new signal of the same direction is still the same shift: no source
Rule = Signal.Rule


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
    sums: Cusum
    blocks: tuple[Block, ...]
    by_week: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    """A signal as the charts give it: point `index`, going back to point `first`."""

    rule: Signal.Rule
    up: bool
    index: int
    first: int


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
    sums = cusum(z, target=0.0, sigma=1.0, k=CUSUM_K, h=CUSUM_H, after=AfterSignal.START_AGAIN)
    rate = counts / made * MILLION
    return Charts(
        measure, day, counts, made, rate, centre, lower, upper, z, beyond, smooth, sums, tuple(blocks), by_week
    )


def wants_weeks(measure: Measure, series: DaySeries) -> bool:
    """Say whether an ordinary day brings too few counts for a chart by the day."""
    some = series.made > 0
    return bool(some.any()) and float(np.mean(measure.counts(series)[some])) < ENOUGH_EXPECTED


def quarter_of(day: dt.date) -> dt.date:
    """Return the first day of a day's calendar quarter."""
    return day.replace(month=3 * ((day.month - 1) // 3) + 1, day=1)


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


def signals(found: Charts) -> list[Found]:
    """Return the signals of all three charts, one for each unbroken run beyond a limit, in the order of time."""
    high = found.rate > found.centre
    told = []
    for up, side in ((True, high), (False, ~high)):
        told += [Found(Rule.LIMIT, up, int(at), int(at)) for at in run_starts(found.beyond & side)]
        smooth = found.ewma.beyond & ((found.ewma.values > 0.0) == up)
        told += [Found(Rule.EWMA, up, at, _left_zero(found.ewma.values, at)) for at in _apart(smooth)]
        own = [shift for shift in found.sums.shifts if shift.up == up]
        told += [Found(Rule.CUSUM, up, shift.index, shift.first_index) for shift in _new(own)]
    return sorted(told, key=lambda one: (one.index, one.rule, one.up))


def _apart(beyond: BoolArray) -> list[int]:
    """Return where runs beyond a limit begin, those left out that follow soon on another: it only dipped inside."""
    at = np.flatnonzero(beyond)
    return [int(one) for one in at[np.diff(at, prepend=-SAME_SHIFT - 2) > SAME_SHIFT]]


def _left_zero(smooth: FloatArray, at: int) -> int:
    """Return the point from which a weighted mean has been on this side of the target."""
    side = np.sign(smooth[at])
    other = np.flatnonzero(np.sign(smooth[:at]) != side)
    return int(other[-1]) + 1 if len(other) else 0


def _new(shifts: list[Shift]) -> list[Shift]:
    """Leave out a signal that follows at once on another: the sums began again, and the shift is still the same."""
    kept, last = [], -SAME_SHIFT - 1
    for shift in shifts:
        if shift.first_index - last > SAME_SHIFT:
            kept.append(shift)
        last = shift.index
    return kept
