"""Invented plants whose stations go out of line in known ways: makers that share nothing but what they hand over.

`by_wander`: stations walk and creep, jams jolt whole machines, visits by the calendar, a dial as good as it says or
not. `by_slips`: stations slip in steps of gamma sizes and settle after they were moved, visits are called by
tear-offs, the centring of a visit is shared by all its sweeps. `by_wear`: bushings let all stations sink together,
heat moves them with the season, mounts are springy, readings wild. All figures are invented.

What is handed over is what a log holds (readings, moves, strokes, jams that somebody wrote down) and, apart from it,
whether each place is out now and after so many strokes more without a visit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator
PLACES = 6
AHEAD = (0.0, 10.0, 25.0)  # million strokes from now


@dataclass
class Track:
    """A place: one entry a visit that swept it. `left` is None where it was left as found and not read again."""

    machine: int
    kind: int
    limit: float
    strokes: list[float] = field(default_factory=list)
    jolts: list[int] = field(default_factory=list)
    found: list[Floats] = field(default_factory=list)
    left: list[Floats | None] = field(default_factory=list)
    moved: list[bool] = field(default_factory=list)
    clock: list[float] = field(default_factory=list)
    u: float = 1.0
    since: float = 0.0
    since_jolts: int = 0
    _last: float = 0.0
    _jolts: int = 0

    def visit(self, at: float, jolts: int, found: Floats, left: Floats | None, *, moved: bool) -> None:
        """Log a visit at so many million strokes of the machine, after so many jams that were written down."""
        self.strokes.append(at - self._last if self.clock else 0.0)
        self.jolts.append(jolts - self._jolts if self.clock else 0)
        self.found.append(found)
        self.left.append(left)
        self.moved.append(moved)
        self.clock.append(at)
        self._last, self._jolts = at, jolts

    def ends(self, at: float, jolts: int) -> None:
        """Say when it is asked."""
        self.since, self.since_jolts = at - self._last, jolts - self._jolts


@dataclass
class Plant:
    """Places, and whether each is truly out after `AHEAD` more strokes, shape (places, 3)."""

    tracks: list[Track]
    out: NDArray[np.bool_]


@dataclass(frozen=True)
class World:
    """A kind of plant."""

    name: str
    maker: Callable[[Rng, World], Plant]
    poor: float = 1.0  # the true error of a reading over the one that is said, at the most
    machines: int = 16
    years: float = 2.0
    all_drift: bool = True

    def plant(self, seed: int) -> Plant:
        """Make one."""
        return self.maker(np.random.default_rng(seed), self)


def _out(path: Floats, limit: Floats) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(path[..., 0], path[..., 1]) > limit)


@dataclass
class Wandering:
    """Places of a machine that walk and creep, and are jolted by jams."""

    rng: Rng
    walk: Floats  # standard deviation over the root of a million strokes
    creep: Floats
    jam_rate: float = 0.0
    jolt: float = 0.0

    def go(self, strokes: float, true: Floats) -> tuple[Floats, int]:
        """Return where places stand after so many million strokes, and how many jams of them were written down."""
        rng = self.rng
        jams = rng.poisson(self.jam_rate * strokes)
        moved = true + self.creep * strokes + rng.normal(0.0, np.sqrt(strokes), (PLACES, 2)) * self.walk[:, None]
        return moved + rng.normal(0.0, self.jolt * np.sqrt(jams), (PLACES, 2)), rng.binomial(jams, 0.6)


def _swept(rng: Rng, true: Floats, limit: float, noise: float) -> tuple[Floats, Floats | None, bool]:
    """Sweep a place, put it right where it is out or the crew thinks fit; return what was read before and after."""
    seen = true + rng.normal(0.0, noise, 2)
    size = np.hypot(*seen) / limit
    moved = bool(size > 1.0 or (size > 0.6 and rng.random() < 0.5))
    if moved:
        true[:] = rng.normal(0.0, 3.0, 2)
    left = true + rng.normal(0.0, noise, 2) if moved or rng.random() < 0.15 else None
    return seen, left, moved


def by_wander(rng: Rng, world: World) -> Plant:
    """Walk, creep and jams; visits by the calendar."""
    limits = np.array([25.0, 25.0, 38.0, 38.0, 50.0, 30.0])
    u = rng.uniform(1.5, 4.0)
    noise = u * rng.uniform(1.0, world.poor)
    kinds = np.exp(rng.normal(0.0, 0.5, PLACES))
    tracks, outs = [], []
    for machine in range(world.machines):
        drifts = np.ones(PLACES) if world.all_drift else (np.arange(PLACES) < 2) + 0.05
        walk = 1.6 * kinds * np.exp(rng.normal(0.0, 0.4, PLACES)) * drifts
        wanders = Wandering(rng, walk, rng.normal([0.0, -0.15], 0.35, (PLACES, 2)) * drifts[:, None])
        own = [Track(machine, kind, limits[kind], u=u) for kind in range(PLACES)]
        per_million = rng.gamma(4.0, 0.4 / 4.0)
        total = world.years * 350.0 * 0.4 * rng.uniform(0.6, 1.1)
        true, at, logged, every = rng.normal(0.0, 8.0, (PLACES, 2)), 0.0, 0, rng.uniform(40.0, 80.0)
        wanders.jam_rate, wanders.jolt = rng.gamma(3.0, 0.012 / 3.0), rng.uniform(5.0, 14.0)
        while at + (s := per_million * max(every + rng.normal(0.0, 12.0), 10.0)) <= total:
            if at > 0.0:
                true, jams = wanders.go(s, true)
                logged += jams
            at += s
            for kind in range(PLACES):
                seen, left, moved = _swept(rng, true[kind], limits[kind], noise)
                own[kind].visit(at, logged, seen, left, moved=moved)
        if not own[0].clock:
            continue
        end = rng.uniform(0.0, 1.0) * every * per_million
        true, jams = wanders.go(end, true)
        for one in own:
            one.ends(at + end, logged + jams)
        later = [_out(true, limits)]
        for before, after in pairwise(AHEAD):
            true, _ = wanders.go(after - before, true)
            later.append(_out(true, limits))
        tracks += own
        outs.append(np.array(later).T)
    return Plant(tracks, np.concatenate(outs))


def by_slips(rng: Rng, world: World) -> Plant:
    """Slips in steps and mounts that settle; visits called by tear-offs, not all stations swept."""
    limits = np.full(PLACES, rng.choice([20.0, 30.0, 40.0]))
    factor = rng.uniform(1.0, world.poor)
    said = rng.uniform(1.5, 3.0)
    sweep, centring = said * factor * 0.8, said * factor * 0.6
    loose = np.arange(PLACES) if world.all_drift else rng.permutation(PLACES)[:2]
    tracks, outs = [], []
    for machine in range(world.machines):
        own = [Track(machine, kind, limits[kind], u=said) for kind in range(PLACES)]
        rate = np.where(np.isin(np.arange(PLACES), loose), rng.gamma(2.0, 0.05, PLACES), 0.002)
        toward, size = rng.uniform(0.0, 2.0 * np.pi, PLACES), rng.uniform(3.0, 9.0, PLACES)
        a_day, days = rng.uniform(0.25, 0.45), int(world.years * 365 * rng.uniform(0.6, 1.1))
        true, rest = rng.normal(0.0, 6.0, (PLACES, 2)), np.zeros((PLACES, 2))
        at, last = 0.0, -rng.integers(0, 60)

        def day(true: Floats, rest: Floats, made: float, rate: Floats = rate, size: Floats = size,
                toward: Floats = toward) -> None:  # fmt: skip
            slips = rng.random(PLACES) < 1.0 - np.exp(-rate * made)
            angle = toward + rng.vonmises(0.0, 2.0, PLACES)
            step = slips * rng.gamma(0.8, size)
            true += np.column_stack([np.sin(angle), np.cos(angle)]) * step[:, None]
            part = rest * (1.0 - np.exp(-made / 3.0))
            true += part
            rest -= part

        until = days - int(rng.integers(0, 25))
        for today in range(until):
            made = a_day * rng.uniform(0.7, 1.2) * (rng.random() > 0.08)
            day(true, rest, made)
            at += made
            worst = min((np.hypot(*true.T) / limits).max(), 2.5)
            called = rng.random() < 0.004 * np.exp(1.3 * (worst - 0.5))
            if not (called or today - last > 130) or today - last < 4:
                continue
            last, off = today, rng.normal(0.0, centring, 2)
            for kind in np.flatnonzero(rng.random(PLACES) < 0.75).tolist():
                seen = true[kind] + off + rng.normal(0.0, sweep, 2)
                moved = bool(np.hypot(*seen) > 0.85 * limits[kind])
                left = None
                if moved:
                    by = -seen * rng.normal(1.0, 0.06)
                    true[kind] += by
                    rest[kind] = -0.2 * by
                    left = np.round(true[kind] + off + rng.normal(0.0, sweep, 2))
                own[kind].visit(at, 0, np.round(seen), left, moved=moved)
        for one in own:
            one.ends(at, 0)
        later = [_out(true, limits)]
        for before, after in pairwise(AHEAD):
            for _ in range(int((after - before) / 0.5)):
                day(true, rest, 0.5)
            later.append(_out(true, limits))
        seen_at_all = [kind for kind in range(PLACES) if own[kind].clock]
        tracks += [own[kind] for kind in seen_at_all]
        outs.append(np.array(later).T[seen_at_all])
    return Plant(tracks, np.concatenate(outs))


@dataclass
class Sinking:
    """Places of a machine that sinks as bushings wear and moves with heat; each springs toward a rest of its own."""

    rng: Rng
    sink: float
    phase: float
    heat: Floats
    home: Floats
    spring: Floats
    shake: Floats
    own: Floats
    aim: Floats = field(default_factory=lambda: np.zeros((PLACES, 2)))
    at: float = 0.0  # million strokes

    def where(self, day: int) -> Floats:
        """Return where its places stand."""
        fallen = np.array([0.0, -self.sink * self.at**0.7])
        warm = self.heat * np.sin(2.0 * np.pi * day / 365.0 + self.phase)
        return np.asarray(self.own + self.aim + fallen + warm)

    def step(self, made: float) -> None:
        """Make so many million strokes."""
        hit = self.rng.standard_t(3, (PLACES, 2)) * (self.shake * np.sqrt(made))[:, None]
        self.own = np.asarray(self.own + self.spring[:, None] * made * (self.home - self.own) + hit)
        self.at += made

    def crash(self) -> None:
        """Throw all of it aside."""
        self.own = self.own + self.rng.normal(0.0, 10.0, 2) + self.rng.normal(0.0, 5.0, (PLACES, 2))

    def swept(self, kind: int, day: int, noise: float, limit: float) -> tuple[Floats, Floats | None, bool]:
        """Sweep a place, put it right where the crew thinks fit; return what was read before and after."""
        noise *= 3.0 if self.rng.random() < 0.03 else 1.0
        seen = self.where(day)[kind] + self.rng.normal(0.0, noise, 2)
        moved = bool(np.hypot(*seen) > limit * self.rng.uniform(0.7, 1.1))
        if not moved:
            return seen, None, False
        self.aim[kind] += -seen + self.rng.normal(0.0, 2.0, 2)
        return seen, self.where(day)[kind] + self.rng.normal(0.0, noise, 2), True


def by_wear(rng: Rng, world: World) -> Plant:
    """Stations sink together as bushings wear, move with heat, spring toward a rest of their own; wild readings."""
    limits = np.array([20.0, 35.0, 35.0, 45.0, 25.0, 60.0]) * rng.uniform(0.8, 1.2)
    u, factor = rng.uniform(1.0, 5.0), rng.uniform(1.0, world.poor)
    tracks, outs = [], []
    for machine in range(world.machines):
        own = [Track(machine, kind, limits[kind], u=u) for kind in range(PLACES)]
        days, a_day = int(world.years * 365 * rng.uniform(0.5, 1.2)), rng.uniform(0.2, 0.5)
        sinks = Sinking(
            rng,
            sink=rng.gamma(1.5, 0.9),
            phase=rng.uniform(0.0, 2.0 * np.pi),
            heat=rng.uniform(0.0, 4.0, (PLACES, 1)) * np.array([0.4, 1.0]),
            home=rng.standard_t(4, (PLACES, 2)) * rng.uniform(2.0, 9.0, (PLACES, 1)),
            spring=rng.uniform(0.0, 0.02, PLACES),
            shake=rng.gamma(2.0, 0.6, PLACES),
            own=rng.normal(0.0, 3.0, (PLACES, 2)),
        )
        logged, last, until = 0, 0, days - int(rng.integers(0, 50))
        for today in range(until):
            made = a_day * (rng.random() > 0.1)
            sinks.step(made)
            crash = rng.random() < 0.0025
            logged += crash or rng.random() < 0.004  # some of what is written down moved nothing
            if crash:
                sinks.crash()
            if rng.random() > (0.03 if today - last > 25 else 0.003) * (3.0 if crash else 1.0):
                continue
            last = today
            for kind in (np.arange(PLACES) if rng.random() < 0.6 else rng.permutation(PLACES)[:3]).tolist():
                seen, left, moved = sinks.swept(kind, today, u * factor, limits[kind])
                own[kind].visit(sinks.at, logged, seen, left, moved=moved)
        for one in own:
            one.ends(sinks.at, logged)
        later = [_out(sinks.where(until), limits)]
        for before, after in pairwise(AHEAD):
            for _ in range(int((after - before) / a_day)):
                sinks.step(a_day)
                until += 1
            later.append(_out(sinks.where(until), limits))
        seen_at_all = [kind for kind in range(PLACES) if own[kind].clock]
        tracks += [own[kind] for kind in seen_at_all]
        outs.append(np.array(later).T[seen_at_all])
    return Plant(tracks, np.concatenate(outs))


WORLDS = (
    World("wander, good dial", by_wander),
    World("wander, poor dial", by_wander, poor=3.0),
    World("wander, two drift, poor dial", by_wander, poor=3.0, all_drift=False),
    World("wander, 5 machines, one year", by_wander, poor=2.0, machines=5, years=1.0),
    World("slips, good dial", by_slips),
    World("slips, two drift, poor dial", by_slips, poor=3.0, all_drift=False),
    World("slips, 6 machines, one year", by_slips, poor=2.0, machines=6, years=1.2),
)
#: Looked at once, after all of `calc.wander` stood as it is.
KEPT_APART = (World("wear, kept apart", by_wear, poor=2.5),)
