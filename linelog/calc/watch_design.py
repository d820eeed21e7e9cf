"""How wide the limits of a line's watch must be for a budget of signals, and how soon it then sees a rise.

Both are simulated on the plant's own past, as it was counted: the sums are run through it at many widths at once, and
rises of known size are added to it on days chosen at random. So what lasts in that past (slow wander, crews, tools
that wear) is in the answer, and no model of it is needed. A past that holds true rises makes the limits wider: the
budget is one of signals, whatever lies behind them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.line_watch import FIRST_DAYS, RISE, LineCounts, watch

WIDTHS = np.geomspace(0.25, 60.0, 40)
FEWEST_YEARS = 2.0  # machine-years that a width rests on at least: eight signals at four a year; no source
YEAR = 365.0
SOON, LONGEST, APART = 14, 42, 60  # days: seen soon, a rise lasts, from one rise to the next on a line
RUNS = 24
AT_ONCE = 1200  # sums run side by side: some 40 MB for two years


@dataclass(frozen=True, slots=True)
class Width:
    """The widening that keeps the budget; infinite where none does.

    a_year  signals a machine-year on the past it was found on, which held so many machine-years
    """

    widening: float
    a_year: float
    machine_years: float

    @property
    def holds(self) -> bool:
        """Whether the budget can be held."""
        return bool(np.isfinite(self.widening))


@dataclass(frozen=True, slots=True)
class Delay:
    """What became of rises of 30 % that were added to the past: shares within 14 days, days until the signal.

    soon     share signalled within 14 days; by_chance: of the same days without the rise
    median   days, the day of the signal included; None where more than half were not seen in 42 days
    rises    how many were added
    """

    soon: float
    by_chance: float
    median: float | None
    rises: int


def find_width(data: LineCounts, budget: float) -> Width | None:
    """Find the least widening at which, and above which, the past signals no oftener than the budget.

    None where the past is too short. Between two widths of the grid it is interpolated.
    """
    signals, watched = _counted(data)
    years = float(watched[-1]) / YEAR  # at the widest: days within an event are days of the year too
    if years < FEWEST_YEARS:
        return None
    rate = signals / years
    too_many = np.flatnonzero(rate > budget)
    if len(too_many) == 0:
        return Width(float(WIDTHS[0]), float(rate[0]), years)
    last = int(too_many[-1])
    if last == len(WIDTHS) - 1:
        return Width(np.inf, float(rate[-1]), years)
    more, less = np.log(rate[last]), np.log(max(float(rate[last + 1]), 0.05))
    share = float(np.clip((more - np.log(budget)) / max(more - less, 1e-9), 0.0, 1.0))
    widening = float(WIDTHS[last] * (WIDTHS[last + 1] / WIDTHS[last]) ** share)
    return Width(widening, budget, years)


def _counted(data: LineCounts) -> tuple[FloatArray, FloatArray]:
    """Return signals and days watched at every width; of many machines a few widths at a time, for the memory."""
    parts = -(-len(WIDTHS) * data.counts.shape[1] // AT_ONCE)
    signals, watched = [], []
    for some in np.array_split(WIDTHS, min(parts, len(WIDTHS))):
        seen = watch(data, some)
        signals.append(seen.signal.sum(axis=(0, 2)))
        watched.append(seen.watched.sum(axis=(0, 2)))
    return np.concatenate(signals).astype(float), np.concatenate(watched).astype(float)


def find_delay(data: LineCounts, widening: float, seed: int) -> Delay | None:
    """Add rises to the past and see when they are signalled; None where it is too short for any."""
    rng = np.random.default_rng(seed)
    plain = watch(data, np.array([widening]))
    added, begun = _rises(data, plain.level[:, 0] * plain.base[:, 0], rng)
    run, day, machine = begun
    if len(run) == 0:
        return None
    risen = watch(data, np.full(RUNS, widening), added)
    free = risen.watched[day, run, machine]
    if not free.any():
        return None
    run, day, machine = run[free], day[free], machine[free]
    days = _days_until(risen.signal, day, run, machine)
    chance = _days_until(plain.signal, day, np.zeros_like(run), machine)
    median = float(np.median(days))
    return Delay(
        soon=float(np.mean(days <= SOON)),
        by_chance=float(np.mean(chance <= SOON)),
        median=median if median <= LONGEST else None,
        rises=len(days),
    )


def _rises(
    data: LineCounts, expected: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, tuple[IntArray, IntArray, IntArray]]:
    """Return the counts to add, (runs, days, machines), and run, day, machine of each rise: one at a time a line."""
    days, machines = data.counts.shape
    added = np.zeros((RUNS, days, machines))
    begun: list[tuple[int, int, int]] = []
    lines = [np.flatnonzero(data.line == one) for one in np.unique(data.line)]
    for run in range(RUNS):
        for line in lines:
            first = FIRST_DAYS + int(rng.integers(1, APART))
            for machine, day in zip(rng.permutation(line), range(first, days - LONGEST, APART), strict=False):
                span = slice(day, day + LONGEST)
                added[run, span, machine] = rng.poisson(RISE * expected[span, machine])
                begun.append((run, day, int(machine)))
    at = np.array(begun, dtype=np.int64).reshape(-1, 3)
    return added, (at[:, 0], at[:, 1], at[:, 2])


def _days_until(signal: BoolArray, day: IntArray, run: IntArray, machine: IntArray) -> IntArray:
    """Return the days until the first signal from each day on, that day counted as one; LONGEST + 1 without one."""
    span = day[:, None] + np.arange(LONGEST)[None, :]
    hit = signal[span, run[:, None], machine[:, None]]
    return np.where(hit.any(axis=1), hit.argmax(axis=1) + 1, LONGEST + 1)
