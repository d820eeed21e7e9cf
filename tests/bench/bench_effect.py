"""What is said of misalignment on invented plants of known truth: python -m tests.bench.bench_effect [PLANTS] [WORLD]

For each world (two makers, `misaligned_plants.py`): how often the 95 % interval of the corrected ratio holds the
truth, how often no figure is given, the mean of it, and the same without the correction; where nothing has an
effect, how many pages claim a line; how often a bad tooling set is found, and how often that is said to be. Goal: 92
to 97 % held, at least 90; at most 10 % of pages. WORLD: a part of a world's name; `aside`: those of a third maker,
which nothing was tuned on.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field

import numpy as np

from linelog.calc.before_after import claims
from linelog.calc.calibrated import CALLED, Severities, effects, follow_rates
from linelog.calc.errors import CalcError
from linelog.calc.misalignment import Rows, cells, hold_against
from linelog.calc.offset_path import fit_kinds
from linelog.calc.sets import Against, against_others, power
from tests.bench.misaligned_aside import ASIDE
from tests.bench.misaligned_plants import ALL, WORLDS, World, seen

PLANTS, SEED = 60, 20261201
FALSE_PAGES = 0.05


@dataclass
class Tally:
    """What was said of the plants of a world; of a page, whether it claims a station, and whether a set."""

    held: list[bool] = field(default_factory=list)
    log: list[float] = field(default_factory=list)
    plain_held: list[bool] = field(default_factory=list)
    plain: list[float] = field(default_factory=list)
    none: int = 0
    pages: list[bool] = field(default_factory=list)
    plain_pages: list[bool] = field(default_factory=list)
    found: list[bool] = field(default_factory=list)
    power: list[float] = field(default_factory=list)


def judge(world: World, seed: int, tally: Tally, *, whole_page: bool = True) -> None:
    """Judge one plant as the page does, by its headline alone or with all stations and sets."""
    plant = world.plant(seed)
    there = seen(plant)
    whole = there.rows.counts.astype(np.int64), there.rows.exposure.astype(np.int64)
    rows = Rows(*whole, there.plain, there.rows.machine, there.period, np.ones(len(there.plain)))
    before = hold_against(rows)
    tally.plain.append(math.log(before.ratio))
    tally.plain_held.append(before.low <= world.effect <= before.high)
    tally.plain_pages.append(before.low > 1.0 or before.high < 1.0)
    groups: list[tuple[int, ...]] = [world.matters]
    columns = [[0]]
    if whole_page:
        for kind in ALL:
            columns.append([len(groups), len(groups) + 1])
            groups += [(kind,), tuple(one for one in ALL if one != kind)]
    severities = Severities.of(there.spans, there.looks, fit_kinds(there.spans), groups, len(rows.counts))
    chances: list[float] = []
    sets: tuple[Against, ...] = ()
    for number, some in enumerate(columns):
        kept = severities.pick(some, slice(None)).known
        part = there.rows.where(kept)
        part = part.timed(cells(Rows(*(getattr(rows, name)[kept] for name in Rows.__slots__)), there.line[kept]))
        plain = [math.log(before.ratio)] if number == 0 else []
        try:
            made = effects(part, severities.pick(some, kept), plain)
        except CalcError:
            tally.none += number == 0
            continue
        if follow_rates(part, made.severities, there.late[kept]) > CALLED:
            tally.none += number == 0
            continue
        own = made.corrected[0]
        chances.append(own.p)
        if number == 0:
            tally.held.append(own.low <= world.effect <= own.high)
            tally.log.append(math.log(own.ratio))
            sets = against_others(part.counts, part.exposure, made.fit, made.severities, there.sets[kept].tolist())
    told = [one for one in sets if one.p is not None]
    shown = claims([one.p for one in told if one.p is not None], FALSE_PAGES)[0].tolist()
    bad = [one.label in plant.bad for one in told]
    wrong = any(is_shown and not is_bad for is_shown, is_bad in zip(shown, bad, strict=True))
    tally.pages.append(wrong or bool(claims(chances, FALSE_PAGES)[0].any()))
    tally.found += [is_shown for is_shown, is_bad in zip(shown, bad, strict=True) if is_bad]
    if (share := power(sets, FALSE_PAGES)) is not None:
        tally.power.append(share)


def run(world: World, plants: int, first: int = SEED, *, whole_page: bool = True) -> Tally:
    """Judge so many plants of a world."""
    tally = Tally()
    for seed in range(plants):
        judge(world, first + seed, tally, whole_page=whole_page)
    return tally


def line_of(world: World, tally: Tally) -> str:
    """Write a world's figures on one line."""
    percent = {
        name: f"{100.0 * np.mean(values):3.0f} %" if values else "   –"
        for name, values in (
            ("held", tally.held),
            ("before", tally.plain_held),
            ("pages", tally.pages if world.effect == 1.0 else []),
            ("plain", tally.plain_pages if world.effect == 1.0 else []),
            ("sets", tally.found),
            ("power", tally.power),
        )
    }
    mean, plain = (math.exp(np.mean(logs)) if logs else math.nan for logs in (tally.log, tally.plain))
    return (
        f"{world.name:47} {len(tally.plain):3} plants  truth {world.effect:.1f}  before {plain:.2f} held "
        f"{percent['before']}  now {mean:.2f} held {percent['held']}, none {tally.none:2}  "
        f"false pages {percent['pages']} (headline before {percent['plain']})  "
        f"bad sets found {percent['sets']} (said {percent['power']})"
    )


def main() -> None:
    """Print every world."""
    plants = int(sys.argv[1]) if len(sys.argv) > 1 else PLANTS
    which = sys.argv[2] if len(sys.argv) > 2 else ""
    for world in ASIDE if which == "aside" else [one for one in WORLDS if which in one.name]:
        print(line_of(world, run(world, plants)), flush=True)


if __name__ == "__main__":
    main()
