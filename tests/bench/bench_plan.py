"""A year of plants worked by each way to choose machines: python -m tests.bench.bench_plan [PLANTS] [WORLD]

Plants of 24 machines whose state follows from what the crew does (`looped_plants.py`), the same luck, hours and stops
whoever chooses; tear-offs to be expected in the year. For each world and simple rule: in how many plants the
program's planner loses less, and the mean ratio of what is lost; last, what share it takes of what the same planner
gains over the best of the simple rules of each plant when it is given the true offsets of the day.
Goal: fewer than each rule in 80 % of plants, half of that gain; where nothing has an effect at most 2 % more.
WORLD: a part of a world's name; `apart` is a world that nothing was set by.
"""

from __future__ import annotations

import copy
import sys
import time
from collections.abc import Sequence

import numpy as np

from tests.bench.looped_plants import ALL, APART, JUMPY, NONE, TWO, World
from tests.bench.looped_rules import SIMPLE, Planner, work_a_year

PLANTS, SEED = 20, 20270601
WORLDS = (ALL, TWO, JUMPY, NONE, APART)


def losses(world: World, seed: int) -> dict[str, float]:
    """Return the tear-offs of a plant's year by each way: the simple ones, the planner, and the one who knows."""
    begun = world.plant(seed)
    planner = Planner.of(begun)
    ways = {**SIMPLE, "planner": planner, "knows": planner.knowing()}
    return {name: work_a_year(copy.deepcopy(begun), way).loss for name, way in ways.items()}


def line_of(world: World, rows: Sequence[dict[str, float]]) -> str:
    """Write a world's figures."""
    told = []
    for rule in SIMPLE:
        ratio = np.array([one["planner"] / one[rule] for one in rows])
        told.append(f"{rule}: beaten in {100 * np.mean(ratio < 1.0):3.0f} %, {ratio.mean():.3f} of it")
    best = np.array([min(one[rule] for rule in SIMPLE) for one in rows])
    planner, knows = (np.array([one[name] for one in rows]) / best for name in ("planner", "knows"))
    share = (1.0 - planner.mean()) / (1.0 - knows.mean()) if abs(1.0 - knows.mean()) > 1e-3 else float("nan")
    told.append(f"best of them in each plant: {planner.mean():.3f} of it, knowing the offsets {knows.mean():.3f}")
    told.append(f"share of that gain {100 * share:.0f} %")
    return f"{world.name}: {len(rows)} plants\n  " + "\n  ".join(told)


def main(arguments: Sequence[str]) -> None:
    """Print all worlds, or those whose name holds a word."""
    plants = int(arguments[0]) if arguments else PLANTS
    for world in WORLDS:
        if len(arguments) < 2 or arguments[1] in world.name:
            begun = time.monotonic()
            rows = [losses(world, SEED + number) for number in range(plants)]
            print(f"{line_of(world, rows)}\n  {(time.monotonic() - begun) / plants:.0f} s a plant", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
