"""Causes and defects that come back by month, truth known: python -m tests.bench.bench_monthly [PLANTS [FOLDER]]

Gone through month by month, as the refit does: how many problems a machine-year are told where no machine has one,
and how many of those put in for the last five months (1.5, 2 and 3 times as many) are told at the end.
FOLDER: also plants that come as files (`given_plants.py`): their tear-offs and other spoilage, of machines without a
planted rise, in the worlds where alignment changes no rate.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tests.bench import monthly_plants as made

PLANTS, SEED = 30, 20270601
RATIOS = (1.5, 2.0, 3.0)
YEAR = 12


def told(counts: made.Floats, begun: made.Floats, lines: Sequence[int]) -> list[bool]:
    """Whether each machine has a problem, by the last twelve of these months."""
    import datetime as dt

    from linelog.trends.repeats.by_month import Months, problems_of
    from linelog.trends.repeats.rule import Kind, Rule

    months = tuple(dt.date(2025 + n // 12, 1 + n % 12, 1) for n in range(min(YEAR, counts.shape[1])))
    machines = tuple(range(len(counts)))
    given = Months(machines, tuple(lines), months, begun[:, -YEAR:], {1: counts[:, -YEAR:]})
    found = problems_of(given, Kind.CAUSE, Rule(3, 5))
    return [any(one.holds for one in found.get(machine, ())) for machine in machines]


def ever_told(counts: made.Floats, begun: made.Floats, lines: Sequence[int]) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Whether each machine was ever told to have one, month after month."""
    ends = range(5, counts.shape[1] + 1)
    return np.any([told(counts[:, :end], begun[:, :end], lines) for end in ends], axis=0)


def run(maker: str, plants: int, seed: int = SEED) -> tuple[float, dict[float, float]]:
    """Return problems told a machine-year without any, and by ratio the share of those put in that are told."""
    false, seen = 0, {ratio: list[bool]() for ratio in RATIOS}
    for number in range(plants):
        rng = np.random.default_rng(seed + number)
        begun, all_counts = made.MAKERS[maker](rng)
        for counts in all_counts:
            false += int(ever_told(counts, begun, made.LINES).sum())
            for ratio in RATIOS:
                for machine, risen in made.rises(rng, counts, ratio):
                    seen[ratio].append(told(risen, begun, made.LINES)[machine])
    years = plants * made.MACHINES * made.MONTHS / 12.0
    return false / years, {ratio: float(np.mean(some)) for ratio, some in seen.items()}


def given(folder: Path) -> float:
    """Return problems told a machine-year of the machines of a given plant without a rise."""
    from tests.bench import given_plants

    plant = given_plants.read(folder)
    monthly = plant.counts.with_columns(pl.col("day").dt.truncate("1mo").alias("month"))
    sums = monthly.group_by("machine", "month").agg(pl.col("cans", "spoiled", "tear_offs").sum())
    names, months = [one["name"] for one in plant.about["machines"]], sorted(sums["month"].unique())
    table = np.zeros((3, len(names), len(months)))
    for row in sums.iter_rows(named=True):
        spoiled = row["spoiled"]
        at = (slice(None), names.index(row["machine"]), months.index(row["month"]))
        table[at] = (row["cans"] + spoiled, spoiled - row["tear_offs"], row["tear_offs"])
    rises = {one["machine"] for one in plant.truth["planted_rises"]}
    quiet = np.array([name not in rises for name in names])
    lines = [int(one["line"][1:]) for one in plant.about["machines"]]
    false = sum(int(ever_told(counts, table[0], lines)[quiet].sum()) for counts in table[1:])
    return false / (quiet.sum() * len(months) / 12.0)


def main(arguments: list[str]) -> None:
    """Print all."""
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()
    plants = int(arguments[0]) if arguments else PLANTS
    for maker in made.MAKERS:
        false, seen = run(maker, plants)
        found = ", ".join(f"{share:.0%} of {ratio:g} times" for ratio, share in seen.items())
        print(f"{maker}, {plants} plants: {false:.3f} told a machine-year without any; told of those put in: {found}")
    if len(arguments) > 1:
        from tests.bench import given_plants

        for world in sorted(one for one in Path(arguments[1]).iterdir() if one.is_dir()):
            rates = [given(plant) for plant in given_plants.plants_of(world)]
            print(
                f"given, {world.name}: {np.mean(rates):.3f} told a machine-year of machines without a rise",
                flush=True,
            )


if __name__ == "__main__":
    main(sys.argv[1:])
