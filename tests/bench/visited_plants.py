"""Invented plants whose visits have a known effect: two makers that share nothing but what they hand over.

`by_rates` thinks in rates: a level, a slow wander, metal lots of the line and a season, multiplied; tear-offs come
in clusters. `by_offsets` thinks in a machine: an offset that creeps and is jolted, tools that wear and are renewed by
the calendar, coils of two suppliers, and a rate that follows from them day by day. All figures are invented; the
orders of size are those of the trade (20-50 tear-offs a million cans, 0.4 million cans a day).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Plant:
    """Arrays (machines, days); `line` (machines,). `rate`: the true one, a can; `without`: without that visit."""

    counts: NDArray[np.int64]
    cans: NDArray[np.int64]
    line: NDArray[np.int64]
    visits: NDArray[np.bool_]
    called: NDArray[np.bool_]
    rate: Floats
    without: Callable[[int, int], Floats]

    def truth(self, machine: int, day: int, days: int) -> tuple[float, float]:
        """Return the counts expected on so many days after a visit, and those without it."""
        span = slice(day + 1, day + 1 + days)
        cans = self.cans[machine, span]
        return float(cans @ self.rate[machine, span]), float(cans @ self.without(machine, day)[span])


@dataclass(frozen=True, slots=True)
class World:
    """What a plant is like.

    calls     how visits come about: "calendar", "high" (a high rate of some days), "foreman" (likelier when high)
    effect    rate after a visit as a multiple of the rate without it
    spread    variance of a day's counts over that of Poisson counts
    lots, wander, season, wear  standard deviations or half ranges of the logarithm of the rate
    """

    name: str
    maker: Callable[[Rng, World], Plant]
    calls: str = "calendar"
    effect: float = 1.0
    spread: float = 2.0
    lots: float = 0.0
    wander: float = 0.0
    wander_days: float = 30.0
    season: float = 0.0
    wear: float = 0.0
    every: int = 40
    machines: int = 24
    lines: int = 3
    days: int = 560
    per_million: float = 45.0

    def plant(self, seed: int) -> Plant:
        """Make one."""
        return self.maker(np.random.default_rng(seed), self)


def clustered(rng: Rng, mean: Floats, spread: float) -> NDArray[np.int64]:
    """Draw counts of this mean with variance spread * mean: incidents by chance, each of several counts."""
    if spread <= 1.0:
        return np.asarray(rng.poisson(mean))
    return rng.negative_binomial(np.maximum(mean, 1e-9) / (spread - 1.0), 1.0 / spread)


def _after_effect(since: Floats, effect: float) -> Floats:
    """Logarithm of what a visit so many days ago does to the rate: whole for three weeks, gone after six."""
    return math.log(effect) * np.clip((42.0 - since) / 21.0, 0.0, 1.0)


def _walk(rng: Rng, sd: float, days: int, shape: tuple[int, int]) -> Floats:
    """A stationary wander with that memory."""
    keep = np.exp(-1.0 / days)
    out = np.empty(shape)
    out[:, 0] = rng.normal(0.0, sd, shape[0])
    for t in range(1, shape[1]):
        out[:, t] = keep * out[:, t - 1] + rng.normal(0.0, sd * np.sqrt(1.0 - keep**2), shape[0])
    return out


def by_rates(rng: Rng, world: World) -> Plant:
    """Make a plant of rates that multiply."""
    m, days = world.machines, world.days
    line = np.arange(m) % world.lines
    cans = (rng.normal(400_000, 60_000, (m, days)).clip(60_000) * (rng.random((m, days)) > 0.04)).astype(np.int64)
    log = np.log(world.per_million * 1e-6) + rng.normal(0.0, 0.3, m)[:, None]
    log = log + _walk(rng, world.wander, int(world.wander_days), (m, days))
    log = log + world.season * np.sin(2.0 * np.pi * (np.arange(days) / 365.0 + rng.random()))[None, :]
    for one in range(world.lines):  # a lot lasts two to nine days
        ends = np.cumsum(rng.integers(2, 10, days))
        log[line == one] += rng.normal(0.0, world.lots, days)[np.searchsorted(ends, np.arange(days), side="right")]
    counts = np.zeros((m, days), dtype=np.int64)
    visits = np.zeros((m, days), dtype=bool)
    last = -rng.integers(0, world.every, m).astype(float)
    due = rng.integers(5, world.every, m)
    effects = np.zeros((m, days))
    for t in range(days):
        effects[:, t] = _after_effect(t - last, world.effect)
        if t > 30:
            recent, long = (counts[:, t - n : t].sum(1) / cans[:, t - n : t].sum(1).clip(1) for n in (4, 30))
            high = (recent > 1.4 * long) & (t - last > 12)
            go = (t >= due) if world.calls == "calendar" else high | (t - last > 4 * world.every)
            visits[go, t] = True
            last[go], due[go] = t, t + rng.integers(world.every - 10, world.every + 11, m)[go]
        counts[:, t] = clustered(rng, cans[:, t] * np.exp(log[:, t] + effects[:, t]), world.spread)

    def without(machine: int, day: int) -> Floats:
        earlier = np.flatnonzero(visits[machine, :day])
        since = np.arange(days) - (earlier[-1] if len(earlier) else -1000.0)
        return np.asarray(np.exp(log[machine] + _after_effect(since, world.effect)))

    return Plant(counts, cans, line, visits, visits & (world.calls != "calendar"), np.exp(log + effects), without)


def by_offsets(rng: Rng, world: World) -> Plant:
    """Make a plant of machines that wander out, wear and tear, day after day."""
    m, days = world.machines, world.days
    line = np.sort(rng.integers(0, world.lines, m))
    running = rng.random((m, days)) > 0.06
    cans = (running * rng.gamma(30.0, 380_000 / 30.0, (m, days))).astype(np.int64)
    supplier = np.cumsum(rng.random((world.lines, days)) < 0.12, axis=1) % 2
    metal = world.lots * (2.0 * supplier - 1.0) + _walk(rng, 0.4 * world.lots, 15, (world.lines, days))
    heat = world.season * np.cos(2.0 * np.pi * (np.arange(days) - 200 * rng.random()) / 365.0)
    own = _walk(rng, world.wander, int(world.wander_days), (m, days))
    base = np.log(world.per_million * 1e-6) + rng.normal(0.0, 0.35, m)
    tool_age, shape = rng.uniform(0.0, 90.0, m), 1.0 / max(1e-3, (world.spread - 1.0) / (0.38 * world.per_million))
    jolts = (rng.random((m, days)) < 0.012) * rng.gamma(2.0, 0.25, (m, days))
    creep = 0.012 + jolts
    slope = -np.log(world.effect) / 0.6  # a visit finds about 0.6 of a limit that it takes away
    offset, last = rng.uniform(0.0, 0.5, m), rng.integers(-30, 0, m)
    counts, visits = np.zeros((m, days), dtype=np.int64), np.zeros((m, days), dtype=bool)
    steady, offsets = np.zeros((m, days)), np.zeros((m, days))
    cusum = np.zeros(m)
    for t in range(days):
        tool_age += 1.0
        tool_age[tool_age > 90.0] = 0.0
        if t > 40:
            usual = counts[:, :t].sum(1) / cans[:, :t].sum(1)
            seen = counts[:, t - 1] - 1.15 * usual * cans[:, t - 1]
            cusum = np.maximum(0.0, cusum + seen / np.sqrt(np.maximum(usual * 400_000 * world.spread, 1.0)))
            recent = counts[:, t - 3 : t].sum(1) / np.maximum(usual * cans[:, t - 3 : t].sum(1), 0.5)
            if world.calls == "calendar":
                go = (t + 7 * np.arange(m)) % world.every == 0
            elif world.calls == "high":
                go = (cusum > 4.0) & (t - last > 7)
            else:
                go = (rng.random(m) < 0.15 / (1.0 + np.exp(-5.0 * (recent - 1.9)))) & (t - last > 5)
            visits[go, t], cusum[go], last[go] = True, 0.0, t
            offset[go] = rng.uniform(0.0, 0.15, m)[go]
        offset = np.minimum(offset + creep[:, t] * (rng.random(m) < 0.9), 2.0)
        offsets[:, t] = offset
        steady[:, t] = base + own[:, t] + metal[line, t] + heat[t] + world.wear * (tool_age / 90.0 - 0.5)
        mean = cans[:, t] * np.exp(steady[:, t] + slope * offset)
        frailty = rng.gamma(shape, 1.0 / shape, m) if world.spread > 1.0 else 1.0
        counts[:, t] = rng.poisson(mean * frailty)

    def without(machine: int, day: int) -> Floats:
        kept = offsets[machine].copy()
        grown = kept[day - 1] + np.cumsum(0.9 * creep[machine, day:])
        kept[day:] = np.minimum(grown, 2.0)
        return np.asarray(np.exp(steady[machine] + slope * kept))

    return Plant(
        counts, cans, line, visits, visits & (world.calls != "calendar"), np.exp(steady + slope * offsets), without
    )


_FULL: dict[str, Any] = {"lots": 0.2, "wander": 0.2, "season": 0.15, "wear": 0.2}
NO_EFFECT = (
    World("rates, quiet, calendar", by_rates, spread=1.0),
    World("rates, quiet, called", by_rates, calls="high", spread=2.0),
    World("rates, lots, called", by_rates, calls="high", spread=3.0, lots=0.25),
    World("rates, slow wander, called", by_rates, calls="high", spread=3.0, wander=0.3, wander_days=60.0),
    World("rates, all, calendar", by_rates, spread=5.0, lots=0.2, wander=0.25, season=0.2),
    World("rates, all, called", by_rates, calls="high", spread=7.0, lots=0.2, wander=0.25, season=0.2),
    World("offsets, all, calendar", by_offsets, spread=4.0, **_FULL),
    World("offsets, all, called", by_offsets, calls="high", spread=4.0, **_FULL),
    World("offsets, all, foreman", by_offsets, calls="foreman", spread=7.0, **_FULL),
    World("offsets, 6 machines, foreman", by_offsets, calls="foreman", spread=3.0, machines=6, lines=1, **_FULL),
)
HELPED = tuple(replace(one, name=f"{one.name}, 0.7", effect=0.7) for one in NO_EFFECT)


def found_again(seed: int, true: float, machines: int = 12) -> tuple[Any, Any, Any, Any]:
    """Machine, million strokes, out, running of stations looked at again, six a visit, twelve visits a machine.

    Each machine has its own level; its stations go out together, since a jam moves them all. `true` is the hazard
    after a running alignment over that after a static one.
    """
    rng = np.random.default_rng(seed)
    visits = np.repeat(np.arange(machines), 12)
    level, share = rng.normal(0.0, 0.5, machines), rng.uniform(0.2, 0.8, machines)
    running = rng.random(len(visits)) < share[visits]
    strokes, jolt = rng.uniform(5.0, 40.0, len(visits)), rng.gamma(2.0, 0.5, len(visits))
    hazard = 0.008 * strokes * jolt * np.exp(level[visits]) * np.where(running, true, 1.0)
    out = rng.random((len(visits), 6)) < 1.0 - np.exp(-hazard)[:, None]
    return np.repeat(visits, 6), np.repeat(strokes, 6), out.ravel(), np.repeat(running, 6)
