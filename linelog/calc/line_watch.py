"""One upward CUSUM a machine, of its counts against what the other machines of its line lead to expect.

Day by day e = cans * base * L: `base` is the machine's own rate against its line's, L the others' counts over what
their own bases expect, so that metal lots and seasons, which a line shares, cancel. The sum adds y - e - SLACK*e and
is held against a limit that follows from how far whole weeks scatter about e: what lasts for days, and would deceive
a sigma from days, is in it. `widening` multiplies that scatter; `calc/watch_design.py` finds it on the plant's past.

A sum beyond its limit is an event. From the day on which the sum left zero its days do not enter the base. It ends
when the rate is back, when the machine is renewed (a visit, other tools), or after EVENT_DAYS, when the new level
becomes the base. The same sum downward raises nothing: it only lets the base follow a rate that fell for good.

Sources: tabular CUSUM and Siegmund's approximation of its run length, NIST/SEMATECH e-Handbook of Statistical Methods
6.3.2.3 and Montgomery, Introduction to Statistical Quality Control, chapter 9.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.errors import CalcError

RISE = 0.30  # what is looked for
SLACK = RISE / 2.0  # half of it: the slack of a CUSUM tuned to that rise
WEEK = 7
#: Days and counts that a base needs, days after which the new level is the base, days that show a rate to be back,
#: cans in days that a base is worth after a visit: shop practice, no source.
BASE_DAYS, FEWEST_COUNTS, EVENT_DAYS, BACK_DAYS, RENEWED_DAYS = 28, 20.0, 28, 14, 28
FIRST_DAYS = 56  # whose raw rates are the first bases
LAG = 7  # days that wait before they enter a base: a shift begins before it is seen
BASE_HALF_LIFE, SCATTER_HALF_LIFE = 56.0, 26.0  # days of a base, weeks of a scatter
FAR_WEEK = 9.0  # a week beyond three sigma counts as three
PRIOR_WEEKS = 8.0  # a machine's scatter leans on its plant's like so many weeks of its own
LEAST_EXPECTED = 1.0  # counts of the others on a day, and of a machine in a week, below which nothing is told
SIEGMUND = 1.166
RUN_LENGTH = 365.0 / 4.0  # days; only the shape of the limit over machines hangs on it, the widening does the rest


@dataclass(frozen=True, slots=True)
class LineCounts:
    """What the machines of a plant counted, shape (days, machines), one row for each calendar day, zero where none.

    line     (machines,) a number that those of one line share
    renewed  True on the day of a visit or of other tools
    """

    counts: FloatArray
    cans: FloatArray
    line: IntArray
    renewed: BoolArray

    def __post_init__(self) -> None:
        shape = self.counts.shape
        same = shape == self.cans.shape == self.renewed.shape and self.line.shape == shape[1:]
        if len(shape) != 2 or not same:
            raise CalcError("Counts, cans and renewals must be of the same days and machines.", field="counts")
        if not (np.isfinite(self.counts).all() and np.isfinite(self.cans).all()):
            raise CalcError("Counts and cans must be numbers.", field="counts")
        if (self.counts < 0.0).any() or (self.cans < 0.0).any():
            raise CalcError("Counts and cans cannot be negative.", field="counts")

    def until(self, days: int) -> LineCounts:
        """Return the first so many days."""
        return LineCounts(self.counts[:days], self.cans[:days], self.line, self.renewed[:days])


@dataclass(frozen=True, slots=True)
class Watch:
    """What the sums did, each of shape (days, variants, machines).

    signal   True on the day an event begins; first: the day its sum had left zero
    back     True on the day on which the rate was seen to be back
    watched  True where the sum could signal
    level    cans weighted by the line's level, so that base*level is expected; base: the rate before that day
    """

    signal: BoolArray
    first: IntArray
    back: BoolArray
    watched: BoolArray
    level: FloatArray
    base: FloatArray
    total: FloatArray
    limit: FloatArray


def watch(data: LineCounts, widening: FloatArray, added: FloatArray | None = None) -> Watch:
    """Run the sums through all days, for several variants at once.

    widening  (variants,) or (days, variants), above zero; infinite where nothing may signal
    added     (variants, days, machines) counts on top of those counted, or None
    """
    days, machines = data.counts.shape
    factor = np.atleast_1d(np.asarray(widening, dtype=np.float64))
    wide = np.broadcast_to(factor, (days, factor.shape[-1]))
    shape = (days, wide.shape[1], machines)
    kept = Watch(
        *(np.zeros(shape, dtype=kind) for kind in (bool, np.int64, bool, bool)),
        *(np.zeros(shape) for _ in range(4)),
    )
    run = _Watching(data, wide.shape[1], kept)
    for day in range(days):
        counts = data.counts[day] if added is None else data.counts[day] + added[:, day]
        run.take(day, np.broadcast_to(counts, shape[1:]), wide[day][:, None])
    return kept


class _Sum:
    """A one-sided sum with what was counted since it left zero."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.total, self.counts, self.level = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        self.days = np.zeros(shape, dtype=np.int64)

    def add(self, step: FloatArray, live: BoolArray, counts: FloatArray, level: FloatArray) -> None:
        self.total = np.where(live, np.maximum(0.0, self.total + step), self.total)
        self.counts, self.level, self.days = self.counts + counts, self.level + level, self.days + 1
        self.clear(self.total == 0.0)

    def clear(self, some: BoolArray) -> None:
        for part in (self.total, self.counts, self.level, self.days):
            part[some] = 0


class _Base:
    """Counts and weighted cans that each base rests on; the newest days wait before they enter."""

    def __init__(self, data: LineCounts, shape: tuple[int, int]) -> None:
        first = data.counts[:FIRST_DAYS].sum(axis=0), data.cans[:FIRST_DAYS].sum(axis=0)
        self.known = np.broadcast_to(
            (first[0] >= FEWEST_COUNTS) & ((data.cans[:FIRST_DAYS] > 0.0).sum(axis=0) >= BASE_DAYS), shape
        ).copy()
        self.counts, self.level = (np.where(self.known, part, 0.0) for part in first)
        self.days = np.zeros(shape, dtype=np.int64)
        self.waiting = np.zeros((2, LAG, *shape))
        self.recent = np.zeros((2, BACK_DAYS, *shape))

    @property
    def rate(self) -> FloatArray:
        return np.where(self.known, self.counts / np.maximum(self.level, 1e-9), 0.0)

    def take(self, day: int, follows: BoolArray, counts: FloatArray, level: FloatArray) -> None:
        """Let a day's counts wait, and take in what has waited; where no base is known yet, gather."""
        enters, keep = self.waiting[:, day % LAG], 2.0 ** (-1.0 / BASE_HALF_LIFE)
        new = ~self.known
        self.counts = np.where(follows, keep * self.counts + enters[0], self.counts + np.where(new, counts, 0.0))
        self.level = np.where(follows, keep * self.level + enters[1], self.level + np.where(new, level, 0.0))
        self.waiting[:, day % LAG] = np.where(follows, [counts, level], 0.0)
        self.recent[:, day % BACK_DAYS] = counts, level
        self.days += new & (level > 0.0)
        self.known |= new & (self.days >= BASE_DAYS) & (self.counts >= FEWEST_COUNTS)

    def replace(self, some: BoolArray, counts: FloatArray, level: FloatArray) -> None:
        self.counts, self.level = np.where(some, counts, self.counts), np.where(some, level, self.level)

    def weigh_less(self, some: BoolArray, most: FloatArray) -> None:
        """Let a base be worth no more than so many cans."""
        share = np.where(some, np.minimum(1.0, most / np.maximum(self.level, 1e-9)), 1.0)
        self.counts, self.level = share * self.counts, share * self.level

    def against_recent(self) -> FloatArray:
        """Return the last days' counts over what the base expects of them."""
        counts, level = self.recent.sum(axis=1)
        return np.asarray(counts / np.maximum(level * self.rate, 1e-9))


class _Scatter:
    """How far weeks scatter about what is expected, as variance over expected count, and the limit it leads to."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.over, self.expected, self.seen, self.weeks, self.daily = (np.zeros(shape) for _ in range(5))
        self.limit = np.full(shape, np.inf)

    def add(self, over: FloatArray, expected: FloatArray) -> None:
        self.over, self.expected = self.over + over, self.expected + expected

    def end_of_week(self, widening: FloatArray) -> None:
        some, keep = self.expected >= LEAST_EXPECTED, 2.0 ** (-1.0 / SCATTER_HALF_LIFE)
        own = self.seen / np.maximum(self.weeks, 1e-9)
        most = np.where(self.weeks >= 4.0, FAR_WEEK * np.maximum(own, 1.0), np.inf)
        this = np.minimum(self.over**2 / np.maximum(self.expected, 1e-9), most)
        self.seen = np.where(some, keep * self.seen + this, self.seen)
        self.weeks = np.where(some, keep * self.weeks + 1.0, self.weeks)
        daily = self.expected / WEEK
        self.daily = np.where(some, np.where(self.daily > 0.0, 0.8 * self.daily + 0.2 * daily, daily), self.daily)
        self.over, self.expected = np.zeros_like(self.over), np.zeros_like(self.expected)
        self.limit = np.where(self.weeks > 0.0, self._limit(widening), np.inf)

    def _limit(self, widening: FloatArray) -> FloatArray:
        usual = np.ones((len(self.weeks), 1))
        for variant, (seen, weeks) in enumerate(zip(self.seen, self.weeks, strict=True)):
            if (weeks > 0.0).any():
                usual[variant] = np.median(seen[weeks > 0.0] / weeks[weeks > 0.0])
        scatter = (self.seen + PRIOR_WEEKS * usual) / (self.weeks + PRIOR_WEEKS)
        return limit_of(np.maximum(self.daily, 0.05), np.maximum(scatter, 0.5) * widening)


def limit_of(daily: FloatArray, scatter: FloatArray, run_length: float = RUN_LENGTH) -> FloatArray:
    """Return the sum that a machine with so many expected counts a day reaches by chance once in so many days.

    scatter  variance over expected count; infinite gives no limit. Siegmund: with x = 2 k (h + 1.166), in sigmas of a
    day, the run length is (e^x - x - 1) / (2 k^2).
    """
    usable = np.where(np.isfinite(scatter), scatter, 1.0)
    k = SLACK * np.sqrt(daily / usable)
    goal = 2.0 * k**2 * run_length
    x = np.log1p(goal + np.sqrt(2.0 * goal))
    for _ in range(4):  # Newton from above: four steps leave 1e-9
        x = x - (np.exp(x) - x - 1.0 - goal) / np.expm1(x)
    h = np.maximum(x / (2.0 * k) - SIEGMUND, 0.5)
    return np.where(np.isfinite(scatter), h * np.sqrt(usable * daily), np.inf)


class _Watching:
    """The state between two days."""

    def __init__(self, data: LineCounts, variants: int, kept: Watch) -> None:
        machines = len(data.line)
        shape = (variants, machines)
        self.data, self.kept = data, kept
        self.others = ((data.line[:, None] == data.line[None, :]) & ~np.eye(machines, dtype=bool)).astype(float)
        self.base, self.scatter = _Base(data, shape), _Scatter(shape)
        self.up, self.down, self.event = _Sum(shape), _Sum(shape), _Sum(shape)
        self.way = np.zeros(shape, dtype=np.int8)

    def take(self, day: int, counts: FloatArray, widening: FloatArray) -> None:
        """Add a day."""
        rate, cans = self.base.rate, self.data.cans[day]
        stands = self.base.known & (self.way == 0) & (cans > 0.0)
        seen, due = (np.where(stands, part, 0.0) @ self.others for part in (counts, cans * rate))
        told = (due >= LEAST_EXPECTED) & (cans > 0.0)
        level = np.where(told, cans * seen / np.maximum(due, LEAST_EXPECTED), 0.0)
        counts = np.where(level > 0.0, counts, 0.0)
        expected = level * rate
        live = stands & (level > 0.0)
        self.scatter.add(*(np.where(live, part, 0.0) for part in (counts - expected, expected)))
        if day % WEEK == WEEK - 1:
            self.scatter.end_of_week(widening)
        self.kept.level[day], self.kept.base[day] = level, rate
        if day >= FIRST_DAYS:
            self._add(day, counts, level, expected, live)

    def _add(self, day: int, counts: FloatArray, level: FloatArray, expected: FloatArray, live: BoolArray) -> None:
        over, slack = counts - expected, SLACK * expected
        self.up.add(over - slack, live, counts, level)
        self.down.add(-over - slack, live, counts, level)
        above, below = live & (self.up.total > self.scatter.limit), live & (self.down.total > self.scatter.limit)
        self._keep(day, live, above)
        self.base.take(day, self.base.known & (self.way == 0) & ~(above | below), counts, level)
        self._go_on(day, counts, level)
        self._begin(above, self.up, 1)
        self._begin(below & ~above, self.down, -1)

    def _keep(self, day: int, live: BoolArray, above: BoolArray) -> None:
        kept = self.kept
        kept.watched[day], kept.signal[day] = live & np.isfinite(self.scatter.limit), above
        kept.first[day] = day - self.up.days + 1
        kept.total[day], kept.limit[day] = self.up.total, self.scatter.limit

    def _go_on(self, day: int, counts: FloatArray, level: FloatArray) -> None:
        """Let events that last take in the day, and end those that are over."""
        on, event = self.way != 0, self.event
        event.counts, event.level = event.counts + counts, event.level + level
        event.days += 1
        against = self.base.against_recent()
        near = np.where(self.way > 0, against < 1.0 + SLACK, against > 1.0 - SLACK)
        back = on & (event.days >= BACK_DAYS) & near
        self.kept.back[day] = back & (self.way > 0)
        stayed = on & ~back & (event.days >= EVENT_DAYS) & (event.level > 0.0)
        self.base.replace(stayed, event.counts, event.level)
        renewed = np.broadcast_to(self.data.renewed[day], on.shape)
        usual = np.median(self.data.cans[max(0, day - FIRST_DAYS) : day + 1], axis=0)
        self.base.weigh_less(renewed, RENEWED_DAYS * np.maximum(usual, 1.0))
        self._clear(back | stayed | renewed)

    def _begin(self, some: BoolArray, by: _Sum, way: int) -> None:
        """Begin events with what was counted since their sum left zero; no day since then waits for the base."""
        for mine, theirs in ((self.event.counts, by.counts), (self.event.level, by.level)):
            mine[some] = theirs[some]
        self._clear(some)
        self.event.days[some] = 0
        self.way[some] = way

    def _clear(self, some: BoolArray) -> None:
        self.way[some] = 0
        self.up.clear(some)
        self.down.clear(some)
        self.base.waiting[:, :, some] = 0.0
