"""A third maker of plants in which misalignment has a known effect, kept aside: nothing was tuned on it.

Its stations hang about a place that each alignment sets, wobble about it with a memory of weeks, sink slowly, and are
thrown by a crash now and then; readings have now and then a large error. All figures are invented.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from tests.bench.misaligned_plants import ALL, CODES, TOOLS, Plant, Rng, Swept, Tools, World, clustered, walk, worst


def by_wobble(rng: Rng, world: World) -> Plant:
    """Stations wobble about where they were set, sink, and crash; one reading in twenty is three times as far off."""
    m, days, places = world.machines, world.days, len(CODES)
    line = rng.integers(0, world.lines, m)
    cans = rng.poisson(360_000 * rng.uniform(0.6, 1.1, (m, 1)), (m, days)) * (rng.random((m, days)) > 0.08)
    level = (
        np.log(world.per_million * 1e-6)
        + 0.3 * rng.standard_normal((m, 1))
        + walk(rng, world.wander, 25.0, (m, days))
    )
    level = (
        level
        + world.season * np.cos(2 * np.pi * np.arange(days) / 365.0)
        + walk(rng, world.lots, 6.0, (world.lines, days))[line]
    )
    set_at, wobble = 0.25 * rng.standard_normal((m, places, 2)), np.zeros((m, places, 2))
    tools, sinks = Tools(rng, world), np.array([0.0, -0.004]) * world.drift * rng.gamma(2.0, 0.5, (m, places, 1))
    counts, sets = np.zeros((m, days), dtype=np.int64), np.zeros((m, days), dtype=np.int64)
    severity, visits = np.zeros((m, days)), [list[Swept]() for _ in range(m)]
    due, keep = rng.integers(2, world.every, m), math.exp(-1.0 / 20.0)
    for t in range(days):
        wobble = keep * wobble + 0.16 * world.drift * math.sqrt(1 - keep**2) * rng.standard_normal(wobble.shape)
        set_at = set_at + sinks
        crash = np.flatnonzero(rng.random(m) < 0.004)
        set_at[crash, rng.integers(0, places, len(crash))] += rng.laplace(0.0, 0.5, (len(crash), 2))
        stands, go = set_at + wobble, t >= due
        for one in np.flatnonzero(go).tolist():
            rough = np.where(rng.random((2, places, 1)) < 0.05, 3.0, 1.0) * world.error
            found = stands[one] + rough[0] * rng.standard_normal((places, 2))
            moved = np.hypot(*found.T) > rng.uniform(0.5, 0.9)
            set_at[one, moved] -= found[moved] * rng.uniform(0.8, 1.1, (int(moved.sum()), 1))
            again = set_at[one] + wobble[one] + rough[1] * rng.standard_normal((places, 2))
            visits[one].append(Swept(t, found, np.where(moved[:, None], again, found), moved))
            due[one] = t + rng.poisson(world.every)
        tools.step(go)
        sets[:, t], severity[:, t] = tools.on + 1, worst(set_at + wobble, world.matters)
        mean = cans[:, t] * np.exp(level[:, t] + tools.log + math.log(world.effect) * severity[:, t])
        counts[:, t] = clustered(rng, mean, world.spread)
    return Plant(counts, cans, line, visits, sets, severity, frozenset((tools.bad + 1).tolist()))


_BASE = (
    World("wobble", by_wobble, matters=ALL, spread=3.0, lots=0.15, season=0.1, wander=0.15, error=0.2),
    World(
        "wobble, tool pack and domer",
        by_wobble,
        matters=TOOLS,
        spread=6.0,
        lots=0.2,
        wander=0.2,
        error=0.12,
        wear=0.2,
    ),
)
ASIDE = tuple(replace(one, name=f"{one.name}: {e:.1f}", effect=e) for one in _BASE for e in (1.0, 1.3, 2.0))
