"""Invented plants in which misalignment has a known effect on a rate: two makers that share only what they hand over.

`by_walk` thinks of stations that wander a little every day and are jolted by jams, swept by a dial whose readings are
independent; its rates are levels that multiply. `by_settling` thinks of parts that settle in jumps, always about the
same way, breathe with the oil's warmth, and are swept after a mounting and a rest of the ram that all sweeps of a
visit share; its counts come of incidents with a frailty of each day. Truth: the rate is `effect` times as high for
each limit of the offset of the worst station that matters. All figures are invented.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linelog.calc.calibrated import by_visit
from linelog.calc.clustered import Counted
from linelog.calc.offset_path import Looks, Spans

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Rng = np.random.Generator
KINDS = ("redraw_sleeve", "cup_locator", "tool_pack", "tool_pack", "domer", "stripper")
CODES = np.array([0, 1, 2, 2, 3, 4])
ALL, TOOLS = (0, 1, 2, 3, 4), (2, 3)
MONTH = 30


@dataclass(frozen=True, slots=True)
class World:
    """What a plant is like.

    matters   codes of the stations whose worst one goes with the rate
    called    visits follow high rates, else the calendar
    error     of a measured component, in limits; drift: how fast offsets grow, 1 usual
    spread    variance of a day's counts over that of Poisson counts
    lots, season, wander, wear  standard deviations or ranges of the logarithm of the rate
    renewed   tools are renewed at every visit, so that wear goes with the offset
    bad_sets  how many tooling sets have 1.5 times the rate
    """

    name: str
    maker: Callable[[Rng, World], Plant]
    effect: float = 1.0
    matters: tuple[int, ...] = ALL
    called: bool = False
    error: float = 0.15
    drift: float = 1.0
    spread: float = 2.0
    lots: float = 0.1
    season: float = 0.1
    wander: float = 0.1
    wear: float = 0.0
    renewed: bool = False
    bad_sets: int = 0
    every: int = 40
    machines: int = 24
    lines: int = 3
    days: int = 540
    per_million: float = 40.0

    def plant(self, seed: int) -> Plant:
        """Make one."""
        return self.maker(np.random.default_rng(seed), self)


@dataclass(frozen=True, slots=True)
class Swept:
    """A visit: day, what each place (6) was found and left at as measured, and which were moved."""

    day: int
    found: Floats
    left: Floats
    moved: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Plant:
    """Counts and cans (machines, days), line (machines,), visits of each machine, tooling set on each day, and
    the truth: severity of the worst station that matters on each day, bad sets.
    """

    counts: Whole
    cans: Whole
    line: Whole
    visits: list[list[Swept]]
    sets: Whole
    severity: Floats
    bad: frozenset[int] = field(default_factory=frozenset)


@dataclass(frozen=True, slots=True)
class Seen:
    """What a program sees of a plant: pieces of time between visits, a month and a set each."""

    rows: Counted
    spans: Spans
    looks: Looks
    late: Floats
    plain: Floats
    true: Floats
    period: Whole
    line: Whole
    sets: Whole


def walk(rng: Rng, sd: float, memory: float, shape: tuple[int, int]) -> Floats:
    keep = math.exp(-1.0 / memory)
    out = np.empty(shape)
    out[:, 0] = rng.normal(0.0, sd, shape[0])
    for t in range(1, shape[1]):
        out[:, t] = keep * out[:, t - 1] + rng.normal(0.0, sd * math.sqrt(1.0 - keep**2), shape[0])
    return out


def worst(offset: Floats, matters: tuple[int, ...]) -> Floats:
    return np.asarray(np.hypot(offset[..., 0], offset[..., 1])[:, np.isin(CODES, matters)].max(axis=1))


class Tools:
    """Sets that go round the machines: on until worn or the visit renews them, then at rest."""

    def __init__(self, rng: Rng, world: World) -> None:
        self.rng, self.world = rng, world
        self.number = int(1.6 * world.machines)
        self.on = rng.permutation(self.number)[: world.machines]
        self.age = rng.uniform(0.0, 60.0, world.machines)
        self.life = rng.uniform(50.0, 90.0, world.machines)
        self.own = rng.normal(0.0, 0.06, self.number)
        self.bad = rng.permutation(self.number)[: world.bad_sets]
        self.own[self.bad] += math.log(1.5)

    def step(self, visited: NDArray[np.bool_]) -> None:
        self.age += 1.0
        go = np.flatnonzero(visited if self.world.renewed else self.age > self.life)
        for machine in go.tolist():
            free = np.setdiff1d(np.arange(self.number), self.on)
            self.on[machine] = self.rng.choice(free)
        self.age[go] = 0.0

    @property
    def log(self) -> Floats:
        return np.asarray(self.own[self.on] + self.world.wear * self.age / 60.0)


def _lots(rng: Rng, world: World, line: Whole) -> Floats:
    out = np.empty((world.machines, world.days))
    for one in range(world.lines):
        ends = np.cumsum(rng.integers(2, 10, world.days))
        lot = rng.normal(0.0, world.lots, world.days)[np.searchsorted(ends, np.arange(world.days), side="right")]
        out[line == one] = lot
    return out


def clustered(rng: Rng, mean: Floats, spread: float) -> Whole:
    if spread <= 1.0:
        return np.asarray(rng.poisson(mean))
    return rng.negative_binomial(np.maximum(mean, 1e-9) / (spread - 1.0), 1.0 / spread)


def by_walk(rng: Rng, world: World) -> Plant:
    """Stations that walk and are jolted; independent readings; what is beyond 0.8 of its limit is put right."""
    m, days, places = world.machines, world.days, len(CODES)
    line = np.arange(m) % world.lines
    cans = (rng.normal(400_000, 60_000, (m, days)).clip(60_000) * (rng.random((m, days)) > 0.04)).astype(np.int64)
    log = (
        np.log(world.per_million * 1e-6) + rng.normal(0.0, 0.3, m)[:, None] + walk(rng, world.wander, 40.0, (m, days))
    )
    log = (
        log + world.season * np.sin(2.0 * np.pi * (np.arange(days) / 365.0 + rng.random())) + _lots(rng, world, line)
    )
    pace = 0.075 * world.drift * np.exp(rng.normal(0.0, 0.3, (m, places)))[..., None]
    offset, tools = rng.normal(0.0, 0.25, (m, places, 2)), Tools(rng, world)
    counts, sets = np.zeros((m, days), dtype=np.int64), np.zeros((m, days), dtype=np.int64)
    severity, visits = np.zeros((m, days)), [list[Swept]() for _ in range(m)]
    last, due = np.zeros(m), rng.integers(3, world.every, m)
    for t in range(days):
        offset = offset + pace * rng.normal(size=offset.shape)
        jam = rng.random(m) < 0.006 * world.drift
        offset[jam] += rng.normal(0.0, 0.35, (int(jam.sum()), places, 2))
        go = t >= due
        if world.called and t > 30:
            recent, long = (counts[:, t - n : t].sum(1) / cans[:, t - n : t].sum(1).clip(1) for n in (5, 30))
            go = ((recent > 1.35 * long) & (t - last > 12)) | (t - last > 3 * world.every)
        for one in np.flatnonzero(go).tolist():
            found = offset[one] + rng.normal(0.0, world.error, (places, 2))
            moved = np.hypot(*found.T) > 0.8
            offset[one, moved] -= found[moved] + rng.normal(0.0, 0.08, (int(moved.sum()), 2))
            left = np.where(moved[:, None], offset[one] + rng.normal(0.0, world.error, (places, 2)), found)
            visits[one].append(Swept(t, found, left, moved))
            last[one], due[one] = t, t + rng.integers(int(0.7 * world.every), int(1.4 * world.every))
        tools.step(go)
        sets[:, t] = tools.on + 1
        severity[:, t] = worst(offset, world.matters)
        mean = cans[:, t] * np.exp(log[:, t] + tools.log + math.log(world.effect) * severity[:, t])
        counts[:, t] = clustered(rng, mean, world.spread)
    return Plant(counts, cans, line, visits, sets, severity, frozenset((tools.bad + 1).tolist()))


def by_settling(rng: Rng, world: World) -> Plant:
    """Parts that settle in jumps, breathe with the warmth; a mounting shared by a visit; most are put right."""
    m, days, places = world.machines, world.days, len(CODES)
    line = np.sort(rng.integers(0, world.lines, m))
    cans = ((rng.random((m, days)) > 0.06) * rng.gamma(30.0, 380_000 / 30.0, (m, days))).astype(np.int64)
    base = np.log(world.per_million * 1e-6) + rng.normal(0.0, 0.35, m)
    metal = world.lots * (2.0 * (np.cumsum(rng.random((world.lines, days)) < 0.12, axis=1) % 2) - 1.0)
    heat = world.season * np.cos(2.0 * np.pi * (np.arange(days) - 200 * rng.random()) / 365.0)
    own = walk(rng, world.wander, 60.0, (m, days))
    toward = rng.uniform(0.0, 2.0 * np.pi, (m, places))
    breath = rng.normal(0.0, 0.06, (m, places, 2))
    offset, tools = rng.normal(0.0, 0.2, (m, places, 2)), Tools(rng, world)
    mount, dial = world.error * math.sqrt(0.4), world.error * math.sqrt(0.6)
    counts, sets = np.zeros((m, days), dtype=np.int64), np.zeros((m, days), dtype=np.int64)
    severity, visits = np.zeros((m, days)), [list[Swept]() for _ in range(m)]
    last, cusum = np.zeros(m), np.zeros(m)
    phase = rng.integers(0, world.every, m)
    for t in range(days):
        settles = rng.random((m, places)) < 0.05 * world.drift
        angle = toward + rng.normal(0.0, 0.7, (m, places))
        size = settles * rng.gamma(1.5, 0.14, (m, places))
        offset = offset + size[..., None] * np.stack([np.sin(angle), np.cos(angle)], axis=-1)
        stands = offset + breath * math.sin(2.0 * math.pi * t / 365.0)
        go = (t + phase) % world.every == 0
        if world.called and t > 40:
            usual = counts[:, :t].sum(1) / cans[:, :t].sum(1)
            excess = counts[:, t - 1] - 1.15 * usual * cans[:, t - 1]
            cusum = np.maximum(0.0, cusum + excess / np.sqrt(usual * 400_000 * world.spread + 1.0))
            go = ((cusum > 3.5) & (t - last > 10)) | (t - last > 4 * world.every)
        cusum[go], last[go] = 0.0, t
        for one in np.flatnonzero(go).tolist():
            rest = rng.normal(0.0, mount, 2)
            found = stands[one] + rest + rng.normal(0.0, dial, (places, 2))
            moved = np.hypot(*found.T) > 0.5
            offset[one, moved] -= 0.9 * found[moved] + rng.normal(0.0, 0.05, (int(moved.sum()), 2))
            again = (
                offset[one]
                + stands[one]
                - stands[one]
                + rng.normal(0.0, mount, 2)
                + rng.normal(0.0, dial, (places, 2))
            )
            visits[one].append(Swept(t, found, np.where(moved[:, None], again, found), moved))
        tools.step(go)
        sets[:, t] = tools.on + 1
        frailty = 1.0
        if world.spread > 1.0:
            shape = 0.38 * world.per_million / (world.spread - 1.0)
            frailty = rng.gamma(shape, 1.0 / shape, m)
        stands = offset + breath * math.sin(2.0 * math.pi * t / 365.0)
        steady = base + own[:, t] + metal[line, t] + heat[t] + tools.log
        severity[:, t] = worst(stands, world.matters)
        rate = np.exp(steady + math.log(world.effect) * severity[:, t])
        counts[:, t] = rng.poisson(cans[:, t] * rate * frailty)
    return Plant(counts, cans, line, visits, sets, severity, frozenset((tools.bad + 1).tolist()))


def seen(plant: Plant, late_days: int = 10, codes: Whole = CODES) -> Seen:
    """Cut a plant to pieces as the program's summaries do: between visits, by month and set; visit days left out."""
    spans, pieces, looks = _Columns(), _Columns(), _Columns()
    for machine, visits in enumerate(plant.visits):
        _see(machine, plant, visits, late_days, codes, (spans, pieces, looks))
    of = pieces.array
    line = plant.line[of("machine")]
    period = of("month")
    counted = Counted(
        of("counts").astype(float),
        of("cans").astype(float),
        of("machine"),
        line * 1000 + period,
        of("machine"),
        np.column_stack([by_visit(of("since")), of("fitted"), of("fitted") ** 2]),
    )
    sp = spans.array
    return Seen(
        counted,
        Spans(
            sp("left"),
            sp("found"),
            sp("million"),
            sp("machine"),
            sp("kind"),
            sp("place"),
            sp("follows"),
            sp("aligned"),
        ),
        Looks(looks.array("piece"), looks.array("span"), looks.array("share")),
        of("late"),
        of("plain"),
        of("true"),
        period,
        line,
        of("set"),
    )


class _Columns:
    """Rows by name."""

    def __init__(self) -> None:
        self.rows: list[dict[str, Any]] = []

    def add(self, **row: Any) -> int:
        self.rows.append(row)
        return len(self.rows) - 1

    def array(self, name: str) -> Any:
        return np.array([row[name] for row in self.rows])


def _see(
    machine: int,
    plant: Plant,
    visits: list[Swept],
    late_days: int,
    codes: Whole,
    into: tuple[_Columns, _Columns, _Columns],
) -> None:
    spans, pieces, looks = into
    number: dict[tuple[int, int], int] = {}
    made = np.concatenate([[0.0], np.cumsum(plant.cans[machine]) / 1e6])
    for place, kind in enumerate(codes.tolist()):
        for v in range(len(visits) - 1):
            one, two = visits[v], visits[v + 1]
            number[place, v] = spans.add(
                left=one.left[place],
                found=two.found[place],
                million=made[two.day] - made[one.day + 1],
                machine=machine,
                kind=kind,
                place=machine * len(codes) + place,
                follows=bool(v > 0 and not one.moved[place]),
                aligned=bool(one.moved[place]),
            )
    sets = plant.sets[machine]
    fitted = np.maximum.accumulate(np.where(np.r_[True, sets[1:] != sets[:-1]], np.arange(len(sets)), 0))
    for v in range(len(visits) - 1):
        days = np.arange(visits[v].day + 1, visits[v + 1].day)
        days = days[plant.cans[machine, days] > 0]
        if not len(days):
            continue
        total = made[visits[v + 1].day] - made[visits[v].day + 1]
        cuts = np.flatnonzero(np.r_[True, (np.diff(days // MONTH) != 0) | (np.diff(fitted[days]) != 0)])
        for run in np.split(days, cuts[1:]):
            middle = (made[run[0]] + made[run[-1] + 1]) / 2.0
            share = (middle - made[visits[v].day + 1]) / total
            ways = visits[v].left * (1.0 - share) + visits[v + 1].found * share
            weights = plant.cans[machine, run]
            at = pieces.add(
                machine=machine,
                month=int(run[0] // MONTH),
                counts=int(plant.counts[machine, run].sum()),
                cans=int(weights.sum()),
                since=middle - made[visits[v].day + 1],
                fitted=middle - made[fitted[run[0]]],
                late=float(np.average(visits[v + 1].day - run <= late_days, weights=weights)),
                plain=float(np.hypot(*ways.T).max()),
                true=float(np.average(plant.severity[machine, run], weights=weights)),
                set=int(sets[run[0]]),
            )
            for place in range(len(codes)):
                looks.add(piece=at, span=number[place, v], share=share)


_HARD: dict[str, Any] = {"lots": 0.2, "season": 0.15, "wander": 0.2}
_BASE = (
    World("walk, quiet, calendar", by_walk, spread=1.0, lots=0.0, season=0.0, wander=0.0),
    World("walk, poor dial, calendar", by_walk, error=0.3, spread=3.0, **_HARD),
    World("walk, tool pack and domer, called", by_walk, matters=TOOLS, called=True, spread=4.0, **_HARD),
    World(
        "walk, wear renewed at visits, 2 bad sets", by_walk, wear=0.3, renewed=True, bad_sets=2, spread=3.0, **_HARD
    ),
    World("settling, good dial, calendar", by_settling, error=0.08, spread=2.0, **_HARD),
    World(
        "settling, poor dial, tool pack and domer",
        by_settling,
        bad_sets=2,
        error=0.25,
        matters=TOOLS,
        spread=7.0,
        **_HARD,
    ),
    World("settling, called, wear", by_settling, called=True, wear=0.2, spread=4.0, **_HARD),
    World("settling, 8 machines, one line", by_settling, machines=8, lines=1, spread=3.0, **_HARD),
)
WORLDS = tuple(
    replace(one, name=f"{one.name}: {effect:.1f}", effect=effect) for one in _BASE for effect in (1.0, 1.3, 2.0)
)
