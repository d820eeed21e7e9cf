"""Simulated machines whose static and running values are known: what the pairs of each really differ by.

Made from the trade's physics, apart from the program: a ram that lies at the bottom of a front bushing and at the top
of the rear one hangs at a place z beyond it by its bending and by C/2 + C*z/L of the clearance C on diameter. Wear
lets the clearance grow with strokes; a new bushing takes it back. Nothing of the program is used here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Machine:
    """Pairs of a machine: days (n,), differences of running and static (n, 2), um; `step` is the first pair after."""

    days: np.ndarray
    differences: np.ndarray
    measured_u_um: float
    step: int | None


@dataclass(frozen=True)
class World:
    """A kind of machine. Wear in um of clearance a year; a step in um of clearance; scatter of a pair, um.

    remounted  part of the scatter (as a share of its variance) that no uncertainty budget sees
    """

    name: str
    wear: tuple[float, float] = (0.0, 0.0)
    step: tuple[float, float] | None = None
    remounted: float = 0.5


WORLDS = (
    World("steady"),
    World("steady, scatter as in the budget", remounted=0.0),
    World("wearing slowly", wear=(10.0, 30.0)),
    World("wearing", wear=(30.0, 80.0)),
    World("wearing, scatter as in the budget", wear=(30.0, 80.0), remounted=0.0),
    World("new bushing", step=(-90.0, -50.0)),
    World("new bushing, then wearing", step=(-90.0, -50.0), wear=(10.0, 30.0)),
)
PAIRS = 12


def machine(world: World, rng: np.random.Generator) -> Machine:
    """Simulate one machine: a pair about every six weeks, never quite evenly."""
    days = np.cumsum(rng.gamma(4.0, 42.0 / 4.0, PAIRS + 1))[1:]
    span, reach = rng.uniform(450.0, 550.0), rng.uniform(250.0, 650.0)
    clearance = rng.uniform(60.0, 120.0) + rng.uniform(*world.wear) * days / 365.25
    step = None
    if world.step is not None:
        step = int(rng.integers(4, PAIRS - 3))
        clearance[step:] += rng.uniform(*world.step)
    bent = rng.uniform(20.0, 90.0)
    tip = clearance / 2.0 + clearance * reach / span
    scatter = rng.uniform(5.0, 15.0)
    true = np.column_stack([np.full(PAIRS, rng.normal(0.0, 5.0)), -(bent + tip)])
    found = true + rng.normal(0.0, scatter, (PAIRS, 2))
    return Machine(days, found, scatter * float(np.sqrt(1.0 - world.remounted)), step)
