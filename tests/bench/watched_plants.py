"""Invented plants on which no machine does anything, and rises of known size put onto them.

Two makers are those of `visited_plants`, which know nothing of how a line is watched. The third, `by_shifts`, is
made here from the shift up: crews that take turns, incidents that come in bursts, a metal lot that meets the machines
of a line one after another, weekends that stand still, and a wander in steps, not a smooth one. All figures invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from linelog.calc.line_watch import LineCounts
from tests.bench.visited_plants import Plant, Rng, World, by_offsets, by_rates, clustered

LEARNED, JUDGED, RISE, LASTS, APART, SOON = 730, 365, 0.30, 42, 60, 14
Floats = NDArray[np.float64]


def by_shifts(rng: Rng, world: World) -> Plant:
    """Make a plant of shifts: three a day, four crews in turn."""
    m, shifts = world.machines, 3 * world.days
    line = np.repeat(np.arange(world.lines), -(-m // world.lines))[:m]
    day = np.arange(shifts) // 3
    weekend = (day % 7 >= 5) & (rng.random(world.lines) < 0.5)[line][:, None]
    runs = (rng.random((m, shifts)) > 0.05) & ~(weekend & (rng.random((m, shifts)) < 0.5))
    cans = (runs * rng.triangular(60_000, 140_000, 160_000, (m, shifts))).astype(np.int64)
    log = np.log(world.per_million * 1e-6 * rng.gamma(12.0, 1.0 / 12.0, m))[:, None] * np.ones(shifts)
    crew = (np.arange(shifts) + np.arange(shifts) // 21) % 4
    log += 0.5 * world.wear * rng.standard_t(6, (4, m))[crew].T
    log += world.season * np.sign(np.sin(2 * np.pi * day / 365.0)) * np.abs(np.sin(2 * np.pi * day / 365.0)) ** 0.5
    for one in range(world.lines):
        lot = rng.laplace(0.0, world.lots / np.sqrt(2.0), shifts)[np.cumsum(rng.random(shifts) < 0.1)]
        for place, machine in enumerate(np.flatnonzero(line == one)):
            log[machine] += np.roll(lot, place % 3)
    steps = np.cumsum(rng.random((m, shifts)) < 1.0 / (3.0 * world.wander_days), axis=1)
    log += world.wander * np.stack([rng.normal(size=shifts)[row] for row in steps])
    rate = np.exp(log)
    size = 1.0 + rng.poisson(max(world.spread - 1.0, 0.0) / 2.0, (m, shifts))
    counts = size.astype(np.int64) * rng.poisson(cans * rate / (1.0 + max(world.spread - 1.0, 0.0) / 2.0))
    whole = [part.reshape(m, world.days, 3).sum(axis=2) for part in (counts, cans)]
    daily = (rate * cans).reshape(m, world.days, 3).sum(axis=2) / np.maximum(whole[1], 1)
    visits = (np.arange(world.days)[None, :] + rng.integers(0, world.every, m)[:, None]) % world.every == 0
    return Plant(whole[0], whole[1], line, visits, np.zeros_like(visits), daily, lambda machine, at: daily[machine])


_LONG = {"days": LEARNED + JUDGED, "every": 60}
TUNED_ON = (
    World("rates: chance alone", by_rates, spread=1.0, **_LONG),
    World("rates: lots", by_rates, spread=2.0, lots=0.2, **_LONG),
    World("rates: scatter 7, lots, season", by_rates, spread=7.0, lots=0.25, season=0.25, **_LONG),
    World("rates: lots, wander 0.15 in 30 days", by_rates, spread=2.0, lots=0.2, wander=0.15, **_LONG),
    World("rates: lots, wander 0.3 in 60 days", by_rates, spread=3.0, lots=0.2, wander=0.3, wander_days=60, **_LONG),
    World("offsets: suppliers", by_offsets, spread=2.0, lots=0.2, **_LONG),
    World("offsets: scatter 4, suppliers, season", by_offsets, spread=4.0, lots=0.2, season=0.2, **_LONG),
    World("offsets: scatter 7, all, wander 0.2", by_offsets, spread=7.0, lots=0.2, season=0.2, wander=0.2, **_LONG),
    World("offsets: tools that wear, wander 0.2", by_offsets, spread=3.0, lots=0.2, wear=0.2, wander=0.2, **_LONG),
    World("offsets: 6 machines, 1 line, wander 0.2", by_offsets, lots=0.2, wander=0.2, machines=6, lines=1, **_LONG),
)
#: Looked at once, when everything else stood.
KEPT_APART = (
    World("shifts: crews, bursts, lots", by_shifts, spread=4.0, lots=0.25, season=0.15, wear=0.15, **_LONG),
    World(
        "shifts: the same, wander 0.25 in steps", by_shifts, spread=4.0, lots=0.25, wander=0.25, wear=0.15, **_LONG
    ),
)


def small(world: World) -> World:
    """Return the same world with fewer machines, for a test."""
    return replace(world, machines=min(world.machines, 12), lines=min(world.lines, 2))


def seen_by_program(plant: Plant) -> LineCounts:
    """Return what a program sees of a plant."""
    return LineCounts(plant.counts.T.astype(float), plant.cans.T.astype(float), plant.line, plant.visits.T)


@dataclass(frozen=True, slots=True)
class Risen:
    """Counts to add, (runs, days, machines), and the run, day and machine of each rise."""

    added: Floats
    run: NDArray[np.int64]
    day: NDArray[np.int64]
    machine: NDArray[np.int64]


def rises(plant: Plant, spread: float, rng: Rng, runs: int) -> Risen:
    """Raise one machine of a line at a time in the judged year, by the true rate of that day."""
    machines, days = plant.counts.shape
    added, begun = np.zeros((runs, days, machines)), []
    for run in range(runs):
        for one in np.unique(plant.line):
            first = LEARNED + int(rng.integers(1, APART))
            of_line = rng.permutation(np.flatnonzero(plant.line == one))
            for machine, day in zip(of_line, range(first, days - LASTS, APART), strict=False):
                mean = RISE * (plant.rate[machine] * plant.cans[machine])[day : day + LASTS]
                added[run, day : day + LASTS, machine] = clustered(rng, mean, spread)
                begun.append((run, day, machine))
    return Risen(added, *np.array(begun, dtype=np.int64).T)
