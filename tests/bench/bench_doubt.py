"""How often readings are asked for again, wrongly and rightly, and how often a verdict is false.

    python -m tests.bench.bench_doubt [sweeps a figure, 2000 if none is given]

Worlds of known truth (tests/calc/dubious.py), the plant's usual scatter and limits by default: 2.5 um, closure 25 um,
return 5 um. Nothing is asserted here; tests/calc/test_doubt_figures.py holds a seeded tenth to the goals.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable

import numpy as np

from linelog.calc.doubt import too_coarse
from linelog.calc.suspect import find_suspect
from linelog.calc.sweep import Surface, Sweep, SweepResult, SweepSetup, check_sweep, reduce_sweep
from linelog.calc.units import Unit
from linelog.calc.verdict import Verdict, judge
from tests.calc.dubious import STEPS_UM, Turn, World, anywhere, misread, sweep

SWEEPS, SEED = 2000, 20261130
CLOSURE_LIMIT_UM = 25.0
POSITIONS, REPEATS = (3, 4, 6, 8, 12), (1, 3)
LIMITS_UM = (13.0, 25.0, 50.0, 100.0)


def made(world: World, turns: Iterable[Turn]) -> tuple[SweepSetup, list[Sweep]]:
    """Return the sweeps as the program takes them."""
    setup = SweepSetup(Surface.BORE, resolution_um=world.step_um, usual_sd_um=2.5)
    angles = tuple(world.angles)
    return setup, [Sweep(angles, tuple(turn.readings), turn.back) for turn in turns]


def worked(world: World, turns: Iterable[Turn]) -> SweepResult:
    """Return what the program makes of them."""
    return reduce_sweep(*made(world, turns))


def false_read_again(rng: np.random.Generator, world: World, sweeps: int) -> float:
    """Share of sound sweeps, its repeats and all, that are asked for again; per sweep of a repeat."""
    asked = [
        bool(check_sweep(worked(world, sweep(rng, world, anywhere(rng, rng.uniform(0.0, 100.0))))))
        for _ in range(sweeps)
    ]
    return float(np.mean(asked))


def least_told_um(world: World) -> float:
    """The misread that must be told: the larger of five steps and eight times the scatter of a reading."""
    return max(5.0 * world.step_um, 8.0 * world.scatter_um)


def caught(rng: np.random.Generator, world: World, sweeps: int) -> tuple[float, float, float]:
    """Shares of single misreads that are asked for again, whose place is named, and is named wrongly."""
    asked, named, wrong = 0, 0, 0
    for _ in range(sweeps):
        sound = sweep(rng, world, anywhere(rng, rng.uniform(0.0, 100.0)))
        turns, repeat, position = misread(rng, world, sound, least_told_um(world))
        setup, typed = made(world, turns)
        again = check_sweep(reduce_sweep(setup, typed))
        found = find_suspect(setup.dial, typed, 0.0, again, Unit.MM)
        asked += bool(again)
        right = found is not None and (found.repeat - 1, found.angle_deg) == (repeat, world.angles[position])
        named, wrong = named + right, wrong + (found is not None and not right)
    return asked / sweeps, named / sweeps, wrong / sweeps


def false_verdict(rng: np.random.Generator, world: World, limit_um: float, times: float, sweeps: int) -> float:
    """Share of false proofs at `times` the limit, one reading misread by up to the limit of closure."""
    wrong, count = Verdict.IN if times > 1.0 else Verdict.OUT, 0
    doubt = world.step_um if too_coarse(world.step_um, limit_um) else 0.0
    for _ in range(sweeps):
        sound = sweep(rng, world, anywhere(rng, times * limit_um))
        result = worked(world, misread(rng, world, sound, rng.uniform(0.0, CLOSURE_LIMIT_UM))[0])
        verdict = judge(result.offset.size, result.offset.radial.U + doubt, limit_um).verdict
        count += verdict is wrong and not check_sweep(result)
    return count / sweeps


def main() -> None:
    """Print all figures."""
    sweeps = int(sys.argv[1]) if len(sys.argv) > 1 else SWEEPS
    rng = np.random.default_rng(SEED)
    print(f"{sweeps} sweeps a figure; shares in percent\n\nSound sweeps asked for again (goal: at most 2)")
    print("dial step   " + " ".join(f"{p:>3}x{r}" for p in POSITIONS for r in REPEATS))
    for name, step in STEPS_UM.items():
        rates = [false_read_again(rng, World(p, step, repeats=r), sweeps) for p in POSITIONS for r in REPEATS]
        print(f"{name:<11} " + " ".join(f"{100 * rate:5.1f}" for rate in rates), flush=True)
    print("\nSingle misreads of the larger of 5 steps and 8 times the scatter: asked (goal: 90 at 8), named, wrongly")
    for name, step in STEPS_UM.items():
        figures = [caught(rng, World(p, step), sweeps) for p in (8, 12)]
        print(
            f"{name:<11} " + "   ".join(" ".join(f"{100 * share:5.1f}" for share in one) for one in figures),
            flush=True,
        )
    print("\nFour positions, one misread of up to 25 um: false in at 1.2, out at 0.8 of the limit (goal: at most 5)")
    print("dial step   " + " ".join(f"{limit:>10g}um" for limit in LIMITS_UM))
    for name, step in STEPS_UM.items():
        cells = [[false_verdict(rng, World(4, step), limit, t, sweeps) for t in (1.2, 0.8)] for limit in LIMITS_UM]
        print(f"{name:<11} " + " ".join(f"{100 * i:5.1f} {100 * o:5.1f} " for i, o in cells), flush=True)


if __name__ == "__main__":
    main()
