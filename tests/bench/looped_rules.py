"""Ways to choose which machines of a plant a crew visits each week: simple ones, and the program's planner.

Each way gives machines in the order in which they are visited while hours last. The planner is made of the program's
own parts: what it knows of wandering (`calc.wander`), the effects of stations (`calc.calibrated`), what a visit is
worth (`calc.next_visit`), and the choice of weeks and stops (`calc.plan`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from linelog.calc.bushing_now import BushingsNow, bushings_now
from linelog.calc.calibrated import Severities, effects
from linelog.calc.errors import CalcError
from linelog.calc.kind_effects import likeliest_effects, worst_alone
from linelog.calc.misalignment import Rows, cells
from linelog.calc.next_visit import (
    BEFORE_DAYS,
    RECENT_DAYS,
    Expects,
    Takes,
    Torn,
    expected_hours,
    expects,
    usual_rates,
    worth_a_week,
)
from linelog.calc.offset_path import fit_kinds
from linelog.calc.plan import Job, Window, make_plan
from linelog.calc.wander.behaviour import Behaviours
from linelog.calc.wander.follow import Moved
from linelog.calc.wander.knowledge import Knowledge, stand, study
from linelog.calc.wander.log import Track, Visited
from linelog.calc.wander.odds import Drawn
from linelog.calc.wander.saved import saved
from tests.bench import looped_plants as made
from tests.bench import misaligned_plants as cut

CREW, STOP = 16.0, 8.0
MACHINES = np.arange(made.MACHINES)
LINE = MACHINES // made.PER_LINE
STATIONS = np.arange(len(made.BUSHINGS), made.PLACES)
ASSUMED = math.log(1.3)  # the plant's setting
NEWEST = 12  # visits that a place is followed through
FULL_SWEEP = made.READY_HOURS + float(made.SWEEP_HOURS.sum())
Way = Callable[[made.Plant, float], Sequence[int]]


def work_a_year(plant: made.Plant, way: Way, weeks: int = made.YEAR) -> made.Plant:
    """Work so many weeks: the crew's hours and the stops are the same whoever chooses; what runs over is owed."""
    owed = 0.0
    for _ in range(weeks):
        hours, stops = CREW - owed, np.full(made.LINES, STOP)
        for machine in way(plant, hours):
            if hours <= 1.0:
                break
            if stops[LINE[machine]] >= FULL_SWEEP:
                beyond = way.beyond[machine] if isinstance(way, Planner) else None
                taken = plant.visit(int(machine), float(stops[LINE[machine]]), beyond)
                hours -= taken
                stops[LINE[machine]] -= taken
        owed = max(-hours, 0.0)
        plant.run()
    return plant


def last_days(plant: made.Plant) -> np.ndarray:
    """Day of each machine's last visit; one that was never visited long ago."""
    return np.array([one[0][-1].day if one[0] else -1000 for one in plant.log])


def _jams(plant: made.Plant) -> np.ndarray:
    """Jams that were written down up to the beginning of each day (m, d + 1)."""
    written = plant.luck.written
    return np.concatenate([np.zeros((len(written), 1)), np.cumsum(written, axis=1)], axis=1)


def every_60_days(plant: made.Plant, hours: float) -> Sequence[int]:
    """Visit whoever was not visited for 60 days, the longest first."""
    last = last_days(plant)
    return [int(one) for one in np.argsort(last, kind="stable") if plant.day - last[one] >= 60]


def oldest_first(plant: made.Plant, hours: float) -> Sequence[int]:
    """Visit machines that jammed since their last visit at once, then whoever was not visited for longest."""
    last, jams = last_days(plant), _jams(plant)
    jammed = jams[:, plant.day] > jams[MACHINES, np.maximum(last, 0)]
    return [int(one) for one in np.lexsort((last, ~jammed)) if last[one] < plant.day]


def worst_read_first(plant: made.Plant, hours: float) -> Sequence[int]:
    """Visit machines by the worst offset that their last visit left, over its limit."""
    worst = [
        max(float(np.hypot(*last_read(places[place]))) / made.LIMITS[place] for place in range(made.PLACES))
        for places in plant.log
    ]
    last = last_days(plant)
    return [int(one) for one in np.argsort(-np.array(worst)) if last[one] < plant.day]


def worst_torn_first(plant: made.Plant, hours: float) -> Sequence[int]:
    """Visit machines by their tear-offs of the last four weeks, but none twice in a fortnight."""
    days, last = slice(plant.day - 28, plant.day), last_days(plant)
    rate = plant.counts[:, days].sum(axis=1) / plant.luck.strokes[:, days].sum(axis=1)
    return [int(one) for one in np.argsort(-rate) if last[one] < plant.day - 13]


SIMPLE: dict[str, Way] = {
    "every 60 days": every_60_days,
    "oldest first": oldest_first,
    "worst read first": worst_read_first,
    "worst torn first": worst_torn_first,
}


def last_read(place: Sequence[made.Seen]) -> np.ndarray:
    """Return what a place was last read at."""
    return place[-1].found if place[-1].left is None else place[-1].left


def tracks_of(plant: made.Plant, machine: int, most: int = 30) -> list[Track]:
    """Return the stations of a machine as the program would see them."""
    run, jams = plant.luck.run[machine], _jams(plant)[machine]
    found = []
    for place in STATIONS.tolist():
        visits, before = [], None
        for one in plant.log[machine][place]:
            since = one.day if before is None else before
            left = None if one.left is None else (float(one.left[0]), float(one.left[1]))
            visits.append(
                Visited(
                    float(one.day),
                    float(run[one.day] - run[since]),
                    int(jams[one.day] - jams[since]),
                    (float(one.found[0]), float(one.found[1])),
                    left,
                    left is not None,
                    plant.luck.said,
                )
            )
            before = one.day
        found.append(Track(machine, str(place), float(made.LIMITS[place]), visits[-most:]))
    return found


def learned_effects(plant: made.Plant) -> tuple[np.ndarray, float, float | None]:
    """Return the likeliest effect of each kind of station, of one unknown, and of the worst where it alone counts."""
    visits = [_swept(places) for places in plant.log]
    cans = np.round(plant.luck.strokes[:, : plant.day] * 1e6).astype(np.int64)
    nothing = np.zeros(cans.shape)
    whole = cut.Plant(plant.counts[:, : plant.day], cans, LINE, visits, nothing.astype(np.int64), nothing)
    there = cut.seen(whole, codes=np.arange(len(STATIONS)))
    number = len(STATIONS)
    groups = [tuple(range(number))]
    groups += [group for one in range(number) for group in ((one,), tuple(k for k in range(number) if k != one))]
    given = Severities.of(there.spans, there.looks, fit_kinds(there.spans), groups, len(there.rows.counts))
    worst, _ = _told(there, given, [0])
    told = [_told(there, given, [2 * one + 1, 2 * one + 2]) for one in range(number)]
    logs, ses = np.array(told).T
    return *likeliest_effects(logs, ses, ASSUMED), worst if worst_alone(worst, logs) else None


def _told(there: cut.Seen, given: Severities, columns: list[int]) -> tuple[float, float]:
    """Return the logarithm of the ratio of the first of some groups, and its standard error."""
    some = given.pick(columns, slice(None))
    kept = some.known
    part = there.rows.where(kept)
    rows = Rows(part.counts.astype(np.int64), part.exposure.astype(np.int64), there.plain[kept], part.machine,
                there.period[kept], np.ones(int(kept.sum())))  # fmt: skip
    try:
        own = effects(part.timed(cells(rows, there.line[kept])), given.pick(columns, kept)).corrected[0]
    except CalcError:
        return 0.0, 10.0
    return math.log(own.ratio), own.se


def _swept(places: Sequence[Sequence[made.Seen]]) -> list[cut.Swept]:
    found = []
    for visit in range(len(places[0])):
        rows = [places[place][visit] for place in STATIONS.tolist()]
        limits = made.LIMITS[STATIONS, None]
        ends = [
            np.array([one.found for one in rows]),
            np.array([one.found if one.left is None else one.left for one in rows]),
        ]
        moved = np.array([one.left is not None for one in rows])
        found.append(cut.Swept(rows[0].day, ends[0] / limits, ends[1] / limits, moved))
    return found


class Planner:
    """The program's planner, by what it learned before the year.

    truth  it is given where every place truly stands now, and all else is the same
    """

    def __init__(
        self, known: Knowledge, effect: np.ndarray, unknown: float, worst: float | None, *, truth: bool = False
    ) -> None:
        self.known, self.truth = known, truth
        self.effect, self.of_bushing, self.worst = effect, unknown, worst
        self.drawn: list[Drawn | None] = [None] * made.MACHINES
        self.at = np.full(made.MACHINES, -1)
        self.beyond = np.ones((made.MACHINES, made.PLACES))

    @classmethod
    def of(cls, plant: made.Plant) -> Planner:
        """Learn from a plant's log."""
        known, _ = study([track for machine in MACHINES.tolist() for track in tracks_of(plant, machine)])
        return cls(known, *learned_effects(plant))

    def knowing(self) -> Planner:
        """Return the same, given the true offsets of the day."""
        return Planner(self.known, self.effect, self.of_bushing, self.worst, truth=True)

    def __call__(self, plant: made.Plant, hours: float) -> Sequence[int]:
        """Plan the coming week anew; after what is planned come the others by what an hour of them saves."""
        jobs = [one for one in self._jobs(plant) if one.loss_by_week[0] > 0.0]
        windows = [Window(str(line), 0, STOP, str(line)) for line in range(made.LINES)]
        plan = make_plan(jobs, windows, [max(hours, 0.0)])
        planned = {one.job for one in plan.entries}
        worth = {one.key: one.loss_by_week[0] / one.hours for one in jobs}
        return [int(key) for key in sorted(worth, key=lambda key: (key not in planned, -worth[key]))]

    def _jobs(self, plant: made.Plant) -> list[Job]:
        expected, a_week, worn = self._expects(plant), self._a_week(plant), self._worn(plant)
        found = []
        for machine in MACHINES.tolist():
            own = slice(machine * len(STATIONS), (machine + 1) * len(STATIONS))
            opens = [*worn.opens[2 * machine : 2 * machine + 2].tolist(), *expected.opens[own].tolist()]
            saves = [*worn.saves[2 * machine : 2 * machine + 2].tolist(), *expected.saves[own].tolist()]
            effect = [self.of_bushing] * len(made.BUSHINGS) + self.effect.tolist()
            needs = expected_hours(made.READY_HOURS, made.SWEEP_HOURS.tolist(), opens, made.OPEN_HOURS.tolist())
            worth = worth_a_week(saves, effect, float(a_week[machine]))
            found.append(Job(str(machine), str(LINE[machine]), needs, (worth,)))
        return found

    def _worn(self, plant: made.Plant) -> BushingsNow:
        """Return how the bushings stand, by their clearances since they were renewed; who knows is told them."""
        rows = []
        for places in plant.log:
            for place in made.BUSHINGS:
                own: list[tuple[float, float]] = []
                for one in places[place]:
                    own.append((float(one.day), float(one.found[0] / made.LIMITS[place])))
                    if one.left is not None:
                        own = [(float(one.day), float(one.left[0] / made.LIMITS[place]))]
                if self.truth:
                    true = float(plant.clearance(slice(plant.day, plant.day + 1))[len(rows) // 2, place, 0])
                    own.append((float(plant.day), true / float(made.LIMITS[place])))
                rows.append(own)
        return bushings_now(rows, float(plant.day))

    def _expects(self, plant: made.Plant) -> Expects:
        last, run, jams = last_days(plant), plant.luck.run, _jams(plant)
        each, drawn = len(STATIONS), self._stand(plant, last)
        strokes = np.repeat(np.maximum(run[MACHINES, plant.day - 1] - run[MACHINES, last], 0.0), each)
        jolts = np.repeat(jams[:, plant.day] - jams[MACHINES, last], each)
        torn = self._torn(plant, last)
        if self.truth:
            true = plant.offsets(slice(plant.day, plant.day + 1))[:, STATIONS, 0] / made.LIMITS[STATIONS, None]
            mean = np.broadcast_to(true.reshape(-1, 1, 2), drawn.mean.shape)
            settled = Moved(drawn.last.by, drawn.last.since + strokes)
            drawn = Drawn(mean, np.zeros(drawn.variance.shape), drawn.kinds, drawn.error, settled)
            strokes, jolts = np.zeros(len(strokes)), np.zeros(len(jolts))
            torn = replace(torn, days=np.zeros(len(torn.days)))
        u = np.tile(plant.luck.said / made.LIMITS[STATIONS], made.MACHINES)
        of = np.repeat(MACHINES, each)
        takes = Takes(np.full(made.MACHINES, FULL_SWEEP), np.tile(made.OPEN_HOURS[STATIONS], made.MACHINES))
        effect = np.tile(self.effect, made.MACHINES)
        found = expects(saved(drawn, strokes, jolts, u), of, effect, torn, takes, worst=self.worst)
        self.beyond[:, STATIONS] = found.beyond.reshape(made.MACHINES, each)
        return found

    def _stand(self, plant: made.Plant, last: np.ndarray) -> Drawn:
        """Follow the machines that were visited since, and put all together."""
        fresh = np.flatnonzero(self.at != last).tolist()
        each = len(STATIONS)
        if fresh:
            tracks = [track for one in fresh for track in tracks_of(plant, one, NEWEST)]
            _, drawn = stand(self.known, tracks, [(0.0, 0.0, 0.0)] * len(tracks))
            for number, machine in enumerate(fresh):
                self.drawn[machine] = _rows(drawn, slice(number * each, (number + 1) * each))
            self.at = last.copy()
        return _together([one for one in self.drawn if one is not None])

    def _torn(self, plant: made.Plant, last: np.ndarray) -> Torn:
        counts, million = plant.counts, plant.luck.strokes
        days = np.minimum(plant.day - last, RECENT_DAYS)
        sums = [
            (counts[one, since:until].sum(), million[one, since:until].sum())
            for one, number in enumerate(days.tolist())
            for since, until in (
                (plant.day - number, plant.day),
                (plant.day - RECENT_DAYS - BEFORE_DAYS, plant.day - RECENT_DAYS),
            )
        ]
        both = np.array(sums).reshape(-1, 4).T
        return Torn(LINE, days.astype(float), both[0], both[1], both[2], both[3])

    def _a_week(self, plant: made.Plant) -> np.ndarray:
        days = slice(plant.day - RECENT_DAYS, plant.day)
        rate = usual_rates(plant.counts[:, days].sum(axis=1), plant.luck.strokes[:, days].sum(axis=1))
        return rate * plant.luck.strokes[:, days].sum(axis=1) / (RECENT_DAYS / made.WEEK)


def _rows(drawn: Drawn, which: slice) -> Drawn:
    kinds = Behaviours(*(getattr(drawn.kinds, name)[which] for name in Behaviours.__slots__))
    last = Moved(drawn.last.by[which], drawn.last.since[which])
    return Drawn(drawn.mean[which], drawn.variance[which], kinds, drawn.error[which], last)


def _together(some: Sequence[Drawn]) -> Drawn:
    kinds = Behaviours(*(np.concatenate([getattr(one.kinds, name) for one in some]) for name in Behaviours.__slots__))
    last = Moved(np.concatenate([one.last.by for one in some]), np.concatenate([one.last.since for one in some]))
    parts = (np.concatenate([getattr(one, name) for one in some]) for name in ("mean", "variance", "error"))
    mean, variance, error = parts
    return Drawn(mean, variance, kinds, error, last)
