"""Print how long the droop of one machine and a common line of twelve stations take.

    python -m tests.bench.bench_line

Nothing is asserted; the goals stand beside the figures. The processor's own time is printed too: on a busy machine
the clock on the wall says more of the others than of this program.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from linelog.calc.droop import Bushing, Mass, Ram, Section, hang, standard_uncertainty_um
from linelog.calc.errors import CalcError
from linelog.calc.line import LineBushing, LineSeat, LineStation, common_line

RUNS, SEEDS = 25, 24
RAM = Ram(
    (Section(600, 63.5, 31.75, 7850, 205), Section(500, 60, 30, 7850, 205), Section(180, 57, 26, 14_500, 560)),
    (Mass("punch", 4.0, 0.0, 150.0), Mass("bolt", 0.5, 0.0)),
    Bushing(-480, 40),
    Bushing(0, 50),
)
REAR, FRONT = LineBushing("rear bushing", -500.0, 1000.0, 4.0), LineBushing("front bushing", -20.0, 1000.0, 4.0)


@dataclass(frozen=True, slots=True)
class Times:
    """Median and worst, ms, by the clock on the wall and by the processor."""

    wall: float
    worst_wall: float
    cpu: float
    worst_cpu: float

    def __str__(self) -> str:
        return (
            f"median {self.wall:.1f} ms, worst {self.worst_wall:.1f} ms "
            f"(of the processor {self.cpu:.1f} and {self.worst_cpu:.1f} ms)"
        )


def timed(works: Sequence[Callable[[], object]]) -> Times:
    """Time each once; the first is done once more before, since it loads what is needed."""
    works[0]()
    wall, cpu = [], []
    for work in works:
        started, begun = time.perf_counter(), time.process_time()
        work()
        wall.append(1000.0 * (time.perf_counter() - started))
        cpu.append(1000.0 * (time.process_time() - begun))
    return Times(statistics.median(wall), max(wall), statistics.median(cpu), max(cpu))


def droop_at_200() -> object:
    """One machine at 200 ram positions, seen at 12 stations, with uncertainty."""
    seen = hang(RAM, np.linspace(90.0, 700.0, 200), np.linspace(-480.0, 690.0, 12))
    return standard_uncertainty_um(seen, clearance_u_um=3.0, weight_u=0.03)


def stations(seed: int) -> list[LineStation]:
    """Twelve stations, two of them with two seats, off at random about a slanting line."""
    rng = np.random.default_rng(seed)
    slant = rng.normal(0.0, 40.0, (2, 2))
    made = []
    for place, z in enumerate(np.sort(rng.uniform(60.0, 690.0, 12)).tolist()):
        x, y = slant[0] + slant[1] * (z / 400.0) + rng.normal(0.0, 18.0, 2)
        seats = (LineSeat(z - 60.0, x, y), LineSeat(z + 60.0, x + 4.0, y - 4.0)) if place in (4, 8) else ()
        made.append(LineStation(f"s{place}", z, x, y, 25.0, u_um=3.0, hours=1.0, reach_um=1000.0, seats=seats))
    return made


def alternatives(seed: int) -> int:
    """Plan one machine; return how many ways there are."""
    try:
        return len(common_line(stations(seed), REAR, FRONT))
    except CalcError:
        return 0


def main() -> None:
    """Print the figures."""
    print(f"droop, one machine at 200 ram positions: {timed([droop_at_200] * RUNS)}; goal 20 ms")
    works = [partial(alternatives, seed) for seed in range(SEEDS)]
    print(f"common line of 12 stations with alternatives, {SEEDS} machines: {timed(works)}; goal 200 ms")


if __name__ == "__main__":
    main()
