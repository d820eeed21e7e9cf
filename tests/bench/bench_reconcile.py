"""Coverage of the next difference of running and static, on simulated machines: python -m tests.bench.bench_reconcile

Goal: 93-97 % of next pairs within their 95 % interval, from the fourth pair on of steady and wearing machines, from
the third pair after a new bushing; and the first pair after a new bushing said to be a step.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from linelog.calc.differences import Step
from linelog.calc.reconcile import Measured, Pair, learn
from tests.bench.paired_machines import WORLDS, Machine, World, machine

MACHINES, SEED = 400, 20261130
START = datetime(2024, 1, 1, tzinfo=UTC)
AFTER_STEP = 2  # pairs after a step that must be there before the next is predicted


@dataclass
class Found:
    """How often the next pair, up, lay within its interval, by how many pairs there were; steps told and invented."""

    held: dict[int, list[bool]] = field(default_factory=dict)
    told: list[bool] = field(default_factory=list)
    invented: list[bool] = field(default_factory=list)
    half_widths: list[float] = field(default_factory=list)

    @property
    def coverage(self) -> float:
        """Over all predictions."""
        return float(np.mean([one for row in self.held.values() for one in row]))

    @property
    def size(self) -> int:
        """How many predictions."""
        return sum(map(len, self.held.values()))


def pairs_of(one: Machine) -> list[Pair]:
    """Put a machine's pairs as the log has them."""
    found = []
    for day, (x, y) in zip(one.days.tolist(), one.differences.tolist(), strict=True):
        when = START + timedelta(days=day)
        found.append(Pair(Measured(when - timedelta(days=1), 0.0, 0.0), Measured(when, x, y)))
    return found


def look_at(found: Found, one: Machine) -> None:
    """Predict each pair of a machine from those before it."""
    pairs, since = pairs_of(one), one.step
    for n in range(3, len(pairs) + 1):
        nearest = min(n, len(pairs) - 1)
        learned = learn(pairs[:n], at=pairs[nearest].running.when, floor_um=one.measured_u_um)
        assert learned is not None
        newest, suspected = n - 1, learned.step is Step.SUSPECTED
        if newest == since:
            found.told.append(suspected)
        elif n > 3 and (since is None or newest < since):
            found.invented.append(suspected)
        after = n if since is None or n < since else n - since
        if n < len(pairs) and (since is None or n < since or after >= AFTER_STEP):
            off = abs(pairs[n].difference_um[1] - learned.mean_um[1])
            found.held.setdefault(after, []).append(off <= learned.next_within_um[1])
            found.half_widths.append(learned.next_within_um[1])


def run(world: World, machines: int, seed: int = SEED) -> Found:
    """Look at so many machines of a world."""
    rng, found = np.random.default_rng(seed), Found()
    for _ in range(machines):
        look_at(found, machine(world, rng))
    return found


def main() -> None:
    """Print a line a world."""
    machines = int(sys.argv[1]) if len(sys.argv) > 1 else MACHINES
    print(f"{machines} machines a world, seed {SEED}, {'pairs known: coverage'}")
    for world in WORLDS:
        found = run(world, machines)
        rows = ", ".join(f"{n}: {100 * np.mean(row):.0f}" for n, row in sorted(found.held.items()))
        width, invented = np.mean(found.half_widths), 100 * np.mean(found.invented)
        told = f"; step told at once {100 * np.mean(found.told):.0f} %" if found.told else ""
        said = f"{100 * found.coverage:5.1f} % of {found.size}, half width {width:.0f} um ({rows})"
        print(f"{world.name:36s} {said}; called a step without one {invented:.1f} %{told}", flush=True)


if __name__ == "__main__":
    main()
