"""Whether the intervals of running captures hold the truth, in worlds of known path, noise, memory and rounding.

    python -m tests.bench.bench_capture_cover [captures a world, 20 if none is given]

A capture is recorded by a ring whose probes have any zeros, its readings are rounded to a step, and it is worked out
as the program does. Counted: how often the 95.45 % interval of the offset, across and up, of each phase holds the
truth; how often a drift is told where there is none, and where there is one. A capture too short to speak for itself
is counted with a long capture (400 strokes) of the same machine, and without it only as 'no interval'.
Nothing is asserted here; tests/calc/capture/test_cover.py holds a seeded part of it to the goals.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np

from linelog.calc.capture.analyse import CaptureSetup, analyse_rows
from linelog.calc.capture.results import CaptureResult, SureBy
from linelog.calc.capture.ring import Ring
from linelog.calc.capture.rows import Rows
from linelog.calc.capture.sure import FEWEST_ALONE, MachineMemory, machine_memory
from linelog.calc.capture.synthetic import Scenario
from tests.calc.capture.known import CRANK, PULSE, ring, rows_of, truth

IN_MM = ring(0.0, 90.0, 180.0, 270.0, scale=1000.0)
STEPS_UM = (0.0, 1.0, 2.54)
NOISES_UM = (0.2, 1.0, 5.0, 20.0)
MEMORIES = (0.0, 0.4, 0.8, 0.9)
STROKES = (10, 40, 100, 400)
DRIFTS = (0.0, 8.0)  # um a minute
CAPTURES, SEED, LONG = 20, 20261201, 400


@dataclass(frozen=True, slots=True)
class World:
    """Step of the file in um, scatter of a stroke and of a sample in um, memory, strokes, drift in um a minute.

    `still`: the path hardly moves, which is the hardest for a rounded file; else the ram leans as usual.
    """

    step_um: float
    noise_um: float
    memory: float
    strokes: int
    drift: float = 0.0
    still: bool = False


@dataclass(slots=True)
class Count:
    """Intervals seen, those that hold the truth, their half widths; drifts told, captures, and those without any."""

    seen: int = 0
    held: int = 0
    half_um: list[float] = field(default_factory=list)
    drifts: int = 0
    captures: int = 0
    silent: int = 0

    def add(self, other: Count) -> None:
        """Take another count in."""
        self.seen, self.held, self.drifts = self.seen + other.seen, self.held + other.held, self.drifts + other.drifts
        self.captures, self.silent = self.captures + other.captures, self.silent + other.silent
        self.half_um += other.half_um


def scenario_of(world: World, rng: np.random.Generator, strokes: int) -> Scenario:
    """What the ram does in a world: somewhere within 40 um, kicking at the dome, leaning more or less."""
    small = 0.05 if world.still else 1.0
    return Scenario(
        strokes=strokes + 1.5,
        speed_per_min=317.3,
        rate_hz=700.0,
        place_um=tuple(rng.uniform(-40.0, 40.0, 2)),
        slope=tuple(small * rng.uniform(-0.08, 0.08, 2)),
        split_um=tuple(small * rng.uniform(-8.0, 8.0, 2)),
        kick_um=tuple(rng.choice((-1.0, 1.0), 2) * rng.uniform(5.0, 15.0, 2)),
        drift_um_per_min=(world.drift, -0.7 * world.drift),
        scatter_um=world.noise_um,
        noise_um=world.noise_um,
        memory=world.memory,
        seed=int(rng.integers(2**31)),
    )


def recorded(scenario: Scenario, world: World, rng: np.random.Generator) -> tuple[list[Rows], Ring]:
    """The samples as the file holds them, and the ring whose probes have any zeros."""
    zeros = rng.uniform(-500.0, 500.0, 4)
    probes = tuple(replace(each, zero_um=zero) for each, zero in zip(IN_MM.probes, zeros, strict=True))
    of = replace(IN_MM, probes=probes)
    rows = rows_of(scenario, of)
    if world.step_um:
        step = world.step_um / 1000.0
        rows = [replace(each, probes=np.round(each.probes / step) * step) for each in rows]
    return rows, of


def worked(world: World, rng: np.random.Generator, strokes: int, memory: MachineMemory) -> tuple[CaptureResult, dict]:
    """One capture worked out, and the truth about it."""
    scenario = scenario_of(world, rng, strokes)
    rows, of = recorded(scenario, world, rng)
    return analyse_rows(rows, CaptureSetup(of, PULSE, CRANK, memory=memory)), truth(scenario)


def told_by(result: CaptureResult) -> dict[str, list]:
    """What a long capture told of the memory of the machine."""
    phases = {"forward": result.forward, "dome": result.dome, "return": result.back}
    return {name: each.memory for name, each in phases.items() if each is not None and each.memory is not None}


def counted(world: World, rng: np.random.Generator, captures: int) -> Count:
    """Count `captures` of a world, each of a machine of its own."""
    found = Count()
    for _ in range(captures):
        memory = MachineMemory()
        if world.strokes < FEWEST_ALONE:
            memory = machine_memory([told_by(worked(replace(world, drift=0.0), rng, LONG, memory)[0])])
        result, known = worked(world, rng, world.strokes, memory)
        found.captures += 1
        found.drifts += any(caution.code == "drift" for caution in result.cautions)
        found.silent += result.sure.by is SureBy.NOTHING
        for half, held in intervals(result, known):
            found.seen, found.held = found.seen + 1, found.held + held
            found.half_um.append(half)
    return found


def intervals(result: CaptureResult, known: dict) -> Iterator[tuple[float, bool]]:
    """Half width of the offset of each phase and axis, and whether it holds the truth."""
    for name in ("forward", "dome", "back"):
        phase = getattr(result, name)
        if phase is not None:
            for at, axis, says in ((0, phase.ram_x, phase.offset.across), (1, phase.ram_y, phase.offset.up)):
                yield says.U, bool(abs(axis.value - known[name][at]) <= says.U)


def worlds() -> Iterator[World]:
    """Every world."""
    for step, noise, memory, strokes, drift, still in product(
        STEPS_UM, NOISES_UM, MEMORIES, STROKES, DRIFTS, (False, True)
    ):
        yield World(step, noise, memory, strokes, drift, still)


def main() -> None:
    """Print the coverage by each factor and by the pairs that matter."""
    captures = int(sys.argv[1]) if len(sys.argv) > 1 else CAPTURES
    tables: dict[str, dict[str, Count]] = defaultdict(lambda: defaultdict(Count))
    for number, world in enumerate(worlds()):
        found = counted(world, np.random.default_rng([SEED, number]), captures)
        path = "still" if world.still else "leaning"
        for table, row in (
            ("step x noise, um", f"{path:<8} step {world.step_um:4.2f} noise {world.noise_um:4.1f}"),
            ("strokes x memory", f"{world.strokes:>4} strokes, memory {world.memory:.1f}"),
            ("drift, um a minute", f"{world.drift:4.1f}, {world.strokes:>4} strokes"),
            ("all", "all"),
        ):
            tables[table][row].add(found)
    print(f"{captures} captures a world; coverage of the 95.45 % interval of the offset, in percent")
    for table, rows in tables.items():
        print(f"\n{table:<34} held   median half width (um)   drift told in %")
        for row, count in rows.items():
            print(
                f"{row:<34} {100 * count.held / count.seen:5.1f} {np.median(count.half_um):10.3f}"
                f"{100 * count.drifts / count.captures:25.1f}"
            )


if __name__ == "__main__":
    main()
