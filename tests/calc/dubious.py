"""Sweeps of known truth, sound and misread. Knows nothing of the program under test.

A dial is zeroed anywhere, each reading scatters (normal law) and is rounded to the dial's step; the bore has two
lobes of any size and direction. The first position is read again at the end.
"""

from dataclasses import dataclass, replace

import numpy as np

STEPS_UM = {
    "0.001 mm": 1.0,
    "0.002 mm": 2.0,
    "0.005 mm": 5.0,
    "0.01 mm": 10.0,
    "0.02 mm": 20.0,
    "0.0001 in": 2.54,
    "0.0005 in": 12.7,
    "0.001 in": 25.4,
}


@dataclass(frozen=True)
class World:
    """How sweeps are made: positions, repeats, dial step, scatter of a reading, deviation of a lobe, all um."""

    positions: int
    step_um: float
    scatter_um: float = 2.5
    repeats: int = 1
    lobe_um: float = 1.0

    @property
    def angles(self) -> np.ndarray:
        """Clock angles, degrees."""
        return np.arange(self.positions) * 360.0 / self.positions


@dataclass(frozen=True)
class Turn:
    """Readings of one sweep, um, and the first position read again."""

    readings: np.ndarray
    back: float


def sweep(rng: np.random.Generator, world: World, offset: np.ndarray) -> list[Turn]:
    """Read a bore that stands at `offset` (x, y) from the line; pressed in reads positive, so the near wall less."""
    phase = np.radians(world.angles)
    lobes = rng.normal(0.0, world.lobe_um, 2)
    shape = -offset[0] * np.sin(phase) - offset[1] * np.cos(phase)
    shape = shape + lobes[0] * np.sin(2 * phase) + lobes[1] * np.cos(2 * phase)
    turns = []
    for _ in range(world.repeats):
        seen = np.append(shape, shape[0]) + rng.normal(0.0, world.scatter_um, world.positions + 1)
        seen = np.round((seen + rng.uniform(-100.0, 100.0)) / world.step_um) * world.step_um
        turns.append(Turn(seen[:-1], float(seen[-1])))
    return turns


def misread(rng: np.random.Generator, world: World, turns: list[Turn], by_um: float) -> tuple[list[Turn], int, int]:
    """Let one reading of one repeat be wrong by so much, up or down; return which (repeat, position).

    What is wrong is what was read off, so it is a whole number of steps.
    """
    repeat, position = int(rng.integers(len(turns))), int(rng.integers(world.positions))
    readings = turns[repeat].readings.copy()
    readings[position] += rng.choice([-1.0, 1.0]) * np.round(by_um / world.step_um) * world.step_um
    wrong = [replace(turn, readings=readings) if n == repeat else turn for n, turn in enumerate(turns)]
    return wrong, repeat, position


def anywhere(rng: np.random.Generator, size_um: float) -> np.ndarray:
    """An offset of this size in any direction."""
    angle = rng.uniform(0.0, 2.0 * np.pi)
    return size_um * np.array([np.sin(angle), np.cos(angle)])
