"""Claims about visits on invented plants whose effects are known: python -m tests.bench.bench_helped [PLANTS]

For each world: how often a visit, a reason, a machine is said to be followed by a lower or a higher rate although
nothing was done to it, by the old way (exact interval of before against after) and by the expectation learned from
days without a visit; how many pages claim anything; and how often the pooled ratio's 95 % interval holds the truth.
Goal: at most 3 % false each way; where a visit helps (0.7) how many are seen is the power. Last, the same of which
way of aligning holds longer.
"""

from __future__ import annotations

import contextlib
import itertools
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from linelog.calc.before_after import BeforeAfter, claims, smallest_fall
from linelog.calc.errors import CalcError
from linelog.calc.expected_rate import Record
from linelog.calc.held import compare_held
from linelog.calc.rates import Change, rate_ratios
from tests.bench.visited_plants import HELPED, NO_EFFECT, Plant, World, found_again

PLANTS, SEED, WINDOW, FEWEST = 20, 20261201, 7, 1000
REASONS = 4


@dataclass
class Tally:
    """Shares, kept as lists of what was found."""

    lower: dict[str, list[bool]] = field(default_factory=dict)
    higher: dict[str, list[bool]] = field(default_factory=dict)
    held: list[bool] = field(default_factory=list)
    ratio: list[float] = field(default_factory=list)
    truth: list[float] = field(default_factory=list)
    fall: list[float] = field(default_factory=list)
    called: list[tuple[bool, bool]] = field(default_factory=list)
    visits: int = 0

    def add(self, what: str, lower: np.ndarray, higher: np.ndarray) -> None:
        """Count claims of one kind."""
        self.lower.setdefault(what, []).extend(np.atleast_1d(lower).tolist())
        self.higher.setdefault(what, []).extend(np.atleast_1d(higher).tolist())


def groups_of(plant: Plant, row: np.ndarray, day: np.ndarray) -> Iterator[tuple[str, np.ndarray]]:
    """Yield machines and reasons: the reason is chance, but for those called, half of which say so."""
    reason = (row * 7 + day) % REASONS
    reason[plant.called[row, day] & (day % 2 == 0)] = REASONS
    yield from (("machine", row == one) for one in np.unique(row).tolist())
    yield from (("reason", reason == one) for one in np.unique(reason).tolist())


def record_of(plant: Plant) -> Record:
    """Return what a program sees of a plant."""
    return Record(plant.counts.astype(float), plant.cans.astype(float), plant.line, plant.visits)


def new_way(plant: Plant, tally: Tally) -> None:
    """Judge one plant as the page does."""
    found = BeforeAfter(record_of(plant), WINDOW)
    judged = found.judged
    told = judged.told
    tally.visits += int(told.sum())
    single, edge = claims(np.where(told, judged.p, np.nan))
    lower, higher = (single & (judged.ratio < 1.0))[told], (single & (judged.ratio > 1.0))[told]
    tally.add("visit", lower, higher)
    kinds = [("all", np.ones(len(told), dtype=bool)), *groups_of(plant, judged.row, judged.day)]
    pooled = [(kind, one) for kind, some in kinds if (one := found.pool(some)) is not None]
    shown = claims([one.p for _, one in pooled])[0].tolist()
    ways = [
        (is_shown and one.ratio < 1.0, is_shown and one.ratio > 1.0)
        for (_, one), is_shown in zip(pooled, shown, strict=True)
    ]
    for (kind, _), way in zip(pooled, ways, strict=True):
        tally.add(kind, *map(np.array, way))
    tally.add(
        "page", *(np.array(one.any() or any(way[at] for way in ways)) for at, one in enumerate((lower, higher)))
    )
    row, day = judged.row[told].tolist(), judged.day[told].tolist()
    with_it, without = np.sum([plant.truth(m, t, WINDOW) for m, t in zip(row, day, strict=True)], axis=0)
    everything = pooled[0][1]
    tally.ratio.append(everything.ratio)
    tally.truth.append(with_it / without)
    tally.held.append(everything.low <= with_it / without <= everything.high)
    falls = smallest_fall(judged.expected[told], judged.chance[told], judged.doubt[told], edge)
    tally.fall.append(float(np.median(falls)))
    tally.called += list(zip(plant.called[judged.row, judged.day].tolist(), judged.called.tolist(), strict=True))


def old_way(plant: Plant, tally: Tally) -> None:
    """Judge one plant as the page did: as many days before as after without another visit, exact intervals."""
    row, day, sides = [], [], []
    for m, t in np.argwhere(plant.visits).tolist():
        others = np.flatnonzero(plant.visits[m])
        gap = min([abs(one - t) - 1 for one in others.tolist() if one != t], default=WINDOW)
        n = min(WINDOW, gap, t, plant.visits.shape[1] - 1 - t)
        spans = slice(t + 1, t + 1 + n), slice(t - n, t)
        four = [values[m, span].sum() for span in spans for values in (plant.counts, plant.cans)]
        if n > 0 and four[1] > 0 and four[3] > 0:
            row.append(m)
            day.append(t)
            sides.append(four)
    numbers, rows = np.array(sides, dtype=float), np.array(row)
    tally.visits += len(numbers)

    def said(columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        changes = [one.change for one in rate_ratios(*columns.T)]
        return np.array([one is Change.LOWER for one in changes]), np.array([one is Change.HIGHER for one in changes])

    tally.add("visit", *said(numbers))
    any_claim = [said(numbers)]
    for kind, some in groups_of(plant, rows, np.array(day)):
        found = said(numbers[some].sum(axis=0)[None, :])
        tally.add(kind, *found)
        any_claim.append(found)
    tally.add("all", *said(numbers.sum(axis=0)[None, :]))
    tally.add("page", *(np.array(any(one[way].any() for one in any_claim)) for way in (0, 1)))


def line_of(tally: Tally) -> str:
    """Write lower and higher in percent, kind by kind."""
    kinds = ("visit", "machine", "reason", "all", "page")
    return "  ".join(
        f"{kind} {100 * np.mean(tally.lower[kind]):4.1f}/{100 * np.mean(tally.higher[kind]):4.1f}" for kind in kinds
    )


def run(world: World, plants: int) -> tuple[Tally, Tally]:
    """Judge so many plants of a world both ways, and more of them until there are 1,000 visits."""
    old, new, seed = Tally(), Tally(), 0
    while seed < plants or (new.visits < FEWEST and seed < 8 * plants):
        plant = world.plant(SEED + seed)
        old_way(plant, old)
        new_way(plant, new)
        seed += 1
    return old, new


def main() -> None:
    """Print every world."""
    plants = int(sys.argv[1]) if len(sys.argv) > 1 else PLANTS
    print(f"claims lower/higher in %, {WINDOW} days; then coverage of the pooled 95 % interval")
    for world in (*NO_EFFECT, *HELPED):
        old, new = run(world, plants)
        called = np.array(new.called)
        said = [called[called[:, 0] == one, 1] for one in (True, False)]
        share = [f"{100 * some.mean():.0f} %" if len(some) else "none" for some in said]
        print(f"{world.name}: {new.visits} visits, {len(new.held)} plants")
        print(f"  before  {line_of(old)}")
        print(f"  now     {line_of(new)}")
        print(
            f"  ratio {np.mean(new.ratio):.3f}, truth {np.mean(new.truth):.3f}, "
            f"held {100 * np.mean(new.held):.0f} %; "
            f"a fall of {100 * np.median(new.fall):.0f} % would show in 8 of 10 visits; "
            f"called for by the counts: {share[0]} of those called, {share[1]} of the others",
            flush=True,
        )
    held()


def held(fleets: int = 400) -> None:
    """Print how often one way is said to hold longer, and how often the interval holds the truth."""
    for machines, true in itertools.product((8, 12, 24), (1.0, 0.6)):
        found = []
        for seed in range(fleets):
            with contextlib.suppress(CalcError):  # too few machines with both ways: not told
                found.append(compare_held(*found_again(seed, true, machines)))
        ways = [(one.shown and one.ratio < 1.0, one.shown and one.ratio > 1.0) for one in found]
        lower, higher = 100.0 * np.mean(ways, axis=0)
        covered = 100.0 * np.mean([one.low <= true <= one.high for one in found])
        print(
            f"which way holds longer, {machines} machines, true {true}: said lower {lower:.1f} %, "
            f"higher {higher:.1f} %; interval held {covered:.0f} %",
            flush=True,
        )


if __name__ == "__main__":
    main()
