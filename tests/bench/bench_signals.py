"""Signals of machines that did nothing, and rises of 30 % that are seen: python -m tests.bench.bench_signals [PLANTS]

Each plant is learned from for two years and judged on a third. "Before" are the three charts against a machine's
own past (control limits, EWMA, CUSUM). Goals: signals a machine-year at most a quarter above the budget, also with
slow wander; with metal lots about 70 % of rises seen within 14 days. "Said" is what the program tells of itself from
the two years; "chance" is the share of the same days with a signal within 14 days though nothing was added.
With --once the worlds that were kept apart are shown instead.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field

import numpy as np

from linelog.calc.control import ewma_chart, rate_chart, run_starts, standardised
from linelog.calc.line_watch import watch
from linelog.calc.watch_design import YEAR, find_delay, find_width
from tests.bench.visited_plants import Plant, World
from tests.bench.watched_plants import JUDGED, KEPT_APART, LASTS, LEARNED, SOON, TUNED_ON, rises, seen_by_program

PLANTS, RUNS, BUDGET, SEED, BASE, QUARTER, SAME = 8, 8, 4.0, 20261201, 182, 91, 7


@dataclass
class Tally:
    """What was seen of one world."""

    a_year: list[float] = field(default_factory=list)
    days: list[int] = field(default_factory=list)
    chance: list[bool] = field(default_factory=list)
    said: list[float] = field(default_factory=list)
    a_year_before: list[float] = field(default_factory=list)
    soon_before: list[bool] = field(default_factory=list)
    not_held: int = 0

    @property
    def soon(self) -> float:
        """Share of rises seen within 14 days."""
        return float(np.mean(np.array(self.days) <= SOON))


def until(signal: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Days from each day to the first True of (rises, days), that day counted as one."""
    span = day[:, None] + np.arange(LASTS)[None, :]
    hit = signal[np.arange(len(day))[:, None], span]
    return np.where(hit.any(axis=1), hit.argmax(axis=1) + 1, LASTS + 1)


def judge(plant: Plant, world: World, tally: Tally, seed: int) -> None:
    """Watch one plant as the program does."""
    data = seen_by_program(plant)
    width = find_width(data.until(LEARNED), BUDGET)
    if width is None or not width.holds:
        tally.not_held += 1
        return
    quiet = watch(data, np.array([width.widening]))
    tally.a_year.append(float(quiet.signal[LEARNED:].sum() / plant.counts.shape[0] / (JUDGED / YEAR)))
    risen = rises(plant, world.spread, np.random.default_rng(seed), RUNS)
    seen = watch(data, np.full(RUNS, width.widening), risen.added)
    free = seen.watched[risen.day, risen.run, risen.machine]
    run, day, machine = risen.run[free], risen.day[free], risen.machine[free]
    tally.days += until(seen.signal[:, run, machine].T, day).tolist()
    tally.chance += (until(quiet.signal[:, 0, machine].T, day) <= SOON).tolist()
    said = find_delay(data.until(LEARNED), width.widening, seed)
    tally.said.append(said.soon if said else np.nan)


def old_signals(counts: np.ndarray, cans: np.ndarray) -> np.ndarray:
    """Signals of the three charts against the machine's own past on each day, (days,), from the judged year on."""
    some = cans > 0
    kept, made, day = counts[some], cans[some], np.flatnonzero(some)
    z, beyond = np.zeros(len(day)), np.zeros(len(day), dtype=bool)
    for first in range(LEARNED - QUARTER, LEARNED + JUDGED, QUARTER):
        taken, here = (day >= first - BASE) & (day < first + QUARTER), (day >= first) & (day < first + QUARTER)
        base = (day < first)[taken]
        chart = rate_chart(kept[taken], made[taken], baseline=base)
        z[here] = (standardised(kept[taken], made[taken], baseline=base) / chart.widening)[here[taken]]
        beyond[here] = chart.beyond[here[taken]]
    out = np.zeros(len(counts), dtype=np.int64)
    for side in (1.0, -1.0):
        np.add.at(out, day[run_starts(beyond & (np.sign(z) == side))], 1)
        smooth = ewma_chart(z, target=0.0, sigma=1.0, steady=True)
        at = np.flatnonzero(smooth.beyond & (np.sign(smooth.values) == side))
        np.add.at(out, day[at[np.diff(at, prepend=-SAME - 2) > SAME]], 1)
        np.add.at(out, day[old_sums(side * z)], 1)
    return out


def old_sums(z: np.ndarray) -> list[int]:
    """Signals of a plain CUSUM (k = 0.5, h = 5) that begins again after each: the first point of each shift."""
    total, run, last, told = 0.0, 0, -SAME - 1, []
    for at, one in enumerate(z.tolist()):
        total = max(0.0, total + one - 0.5)
        run = run + 1 if total else 0
        if total > 5.0:
            if at - run + 1 - last > SAME:
                told.append(at)
            last, total, run = at, 0.0, 0
    return told


def judge_before(plant: Plant, world: World, tally: Tally, seed: int) -> None:
    """Chart one plant as it was done before."""
    some = range(0, plant.counts.shape[0], 4)
    told = [old_signals(plant.counts[one], plant.cans[one])[LEARNED:].sum() for one in some]
    tally.a_year_before.append(float(np.mean(told)))
    risen = rises(plant, world.spread, np.random.default_rng(seed), 1)
    for run, day, machine in list(zip(risen.run, risen.day, risen.machine, strict=True))[:6]:
        counts = plant.counts[machine] + risen.added[run, :, machine].astype(np.int64)
        tally.soon_before.append(bool(old_signals(counts, plant.cans[machine])[day : day + SOON].any()))


def of_world(world: World, plants: int, *, before: bool = True) -> Tally:
    """Judge so many plants of a world."""
    tally = Tally()
    for number in range(plants):
        seed = SEED + number
        plant = world.plant(seed)
        judge(plant, world, tally, seed)
        if before:
            judge_before(plant, world, tally, seed)
    return tally


def main() -> None:
    """Print the table."""
    plants = next((int(word) for word in sys.argv[1:] if word.isdigit()), PLANTS)
    worlds = KEPT_APART if "--once" in sys.argv else TUNED_ON
    print(f"{plants} plants a world, seeds from {SEED}, budget {BUDGET:g} signals a machine-year\n")
    print(f"{'world':42s} {'before':>17s} {'now':>33s}")
    print(
        f"{'':42s} {'a year':>8s} {'14 d':>8s} {'a year':>8s} {'14 d':>5s} {'chance':>7s} {'median':>6s} {'said':>5s}"
    )
    for world in worlds:
        one = of_world(world, plants)
        print(
            f"{world.name:42s} {np.mean(one.a_year_before):8.1f} {np.mean(one.soon_before):8.0%} "
            f"{np.mean(one.a_year):8.2f} {one.soon:5.0%} {np.mean(one.chance):7.0%} {np.median(one.days):6.0f} "
            f"{np.nanmean(one.said):5.0%}" + (f"  not held: {one.not_held}" if one.not_held else ""),
            flush=True,
        )


if __name__ == "__main__":
    main()
