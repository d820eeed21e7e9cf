"""Coverage of the steady value of a warm-up, on simulated captures: python -m tests.bench.bench_warm_up [RUNS]

Goal: 90-97 % of the steady values that are told lie within their interval of 95.45 %; told or not, by the program's
own rule. How many are told is printed beside it, and how wide the interval is.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np

from linelog.calc.warm_up import Said, warm_up

RUNS, SEED = 200, 20261201
MOST_TRIES = 20


@dataclass(frozen=True, slots=True)
class World:
    """A warm-up as it is, when captures are made, and how sure one is."""

    name: str
    minutes: tuple[float, ...]
    tau_min: float
    steady_um: float = 12.0
    amplitude_um: float = -25.0
    u_um: tuple[float, float] = (0.6, 1.6)
    shared_u_um: float = 0.6


WORLDS = (
    World("5 captures over 3 tau", (5, 20, 40, 75, 120), 38.0),
    World("4 captures over 2 tau", (5, 20, 45, 85), 40.0),
    World("5 captures over 1.4 tau", (3, 12, 25, 45, 70), 48.0),
    World("8 captures over 4 tau", (2, 8, 15, 30, 50, 80, 120, 180), 44.0),
    World("6 captures, small change", (5, 15, 30, 60, 100, 160), 40.0, amplitude_um=-8.0),
)


@dataclass
class Found:
    """Whether each steady value told lay in its interval, half widths, and what was said of all."""

    held: list[bool]
    half_widths: list[float]
    said: Counter[Said]

    @property
    def coverage(self) -> float:
        """Share of those told."""
        return float(np.mean(self.held))


def simulate(world: World, runs: int, seed: int = SEED) -> Found:
    """Make warm-ups until so many steady values are told."""
    rng, found = np.random.default_rng(seed), Found([], [], Counter())
    at = np.array(world.minutes)
    for _ in range(runs * MOST_TRIES):
        u = rng.uniform(*world.u_um, at.size)
        true = world.steady_um + world.amplitude_um * np.exp(-at / world.tau_min)
        seen = true + rng.normal(0.0, u) + rng.normal(0.0, world.shared_u_um)
        told = warm_up(at, seen, u, shared_u_um=world.shared_u_um)
        found.said[told.said] += 1
        if told.curve is not None:
            curve = told.curve
            found.held.append(curve.steady_low_um <= world.steady_um <= curve.steady_high_um)
            found.half_widths.append((curve.steady_high_um - curve.steady_low_um) / 2.0)
        if len(found.held) == runs:
            break
    return found


def main() -> None:
    """Print a line a world."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    for world in WORLDS:
        found = simulate(world, runs)
        said = ", ".join(f"{name.value} {count}" for name, count in found.said.most_common())
        print(
            f"{world.name}: {100.0 * found.coverage:.1f} % of {len(found.held)} held (goal 90-97 %), "
            f"half width {np.median(found.half_widths):.1f} um at the median; {said}"
        )


if __name__ == "__main__":
    main()
