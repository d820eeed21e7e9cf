"""Write the sample files of counts that stand in fixtures/: all invented, from a fixed seed."""

from __future__ import annotations

import csv
import datetime as dt
import io
from pathlib import Path
from typing import Any

import numpy as np
from django.core.management import BaseCommand, CommandParser
from openpyxl import Workbook

from linelog.production.exporting import heading

# The machines, shifts and causes of the invented demonstration plant.
MACHINES = [f"BM {number}" for number in (11, 12, 13, 14, 15, 16, 21, 22, 23, 24, 25, 26, 27)]
CAUSES = ["WALL", "DOME", "SCRATCH", "SETUP", "HANDLING", "TEAR", "SHORT"]
SHIFTS = "ABC"
FIRST = dt.date(2024, 1, 8)  # a Monday, before the demonstration plant's own counts begin
SEED = 20240108
Row = list[Any]


def week(number: int) -> list[Row]:
    """Return the rows of the sample week of this number, 0 or 1."""
    rng = np.random.default_rng(SEED + number)
    rows: list[Row] = []
    for day in range(7):
        date = FIRST + dt.timedelta(days=7 * number + day)
        for machine in MACHINES:
            rows += [_shift(rng, machine, date, shift) for shift in SHIFTS]
    return rows


def _shift(rng: np.random.Generator, machine: str, date: dt.date, shift: str) -> Row:
    jams = int(rng.poisson(0.3))
    down = round(float(rng.gamma(2.0, 12.0)) + 25.0 * jams, 1)
    begun = int(rng.normal(300.0, 4.0) * max(480.0 - down, 0.0))
    tear_offs, short_cans = int(rng.poisson(begun * 35e-6)), int(rng.poisson(begun * 15e-6))
    other = rng.poisson(begun * np.array([520, 420, 640, 900, 520]) * 1e-6).tolist()
    causes = [*other, tear_offs, short_cans]
    spoiled = sum(causes) + int(rng.poisson(8))
    return [machine, date, shift, begun - spoiled, spoiled, tear_offs, short_cans, jams, down, *causes]


def corrected(rows: list[Row]) -> list[Row]:
    """Return the first week with five shifts recounted and one that had been forgotten before it."""
    recounted = [list(row) for row in rows]
    for row in recounted[10:60:10]:
        row[3] += 250
        row[8] = round(row[8] + 15, 1)
    return [
        [MACHINES[0], FIRST - dt.timedelta(days=1), "C", 128_400, 402, 3, 1, 0, 31.5, *[0] * len(CAUSES)],
        *recounted,
    ]


def with_errors(rows: list[Row]) -> list[Row]:
    """Return the first day as a hasty person might type it: a trouble of each kind."""
    typed = [[_european(value) for value in row] for row in rows[: 3 * len(MACHINES)]]
    typed[2][3] = "12x500"
    typed[4][0] = "BM 99"
    typed[6][1] = "31.02.2024"
    typed[8][4] = "-3"
    typed[10][8] = "1500"
    typed[12][9] = "99999"
    typed[14][2] = "D"
    typed[16][5] = ""
    return [*typed, typed[0]]


def _european(value: Any) -> str:
    if isinstance(value, dt.date):
        return value.strftime("%d.%m.%Y")
    return str(value).replace(".", ",") if isinstance(value, float) else str(value)


def as_csv(rows: list[Row], separator: str = ",") -> bytes:
    """Return the rows under their heading as CSV."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, lineterminator="\n")
    writer.writerows([heading(CAUSES), *rows])
    return text.getvalue().encode()


def as_workbook(rows: list[Row]) -> Workbook:
    """Return the rows under their heading as a workbook."""
    book = Workbook()
    sheet = book.create_sheet("Counts (invented)", 0)
    del book["Sheet"]
    for row in [heading(CAUSES), *rows]:
        sheet.append(row)
    # The same bytes for the same rows, as far as the format allows: no time of making.
    book.properties.created = book.properties.modified = dt.datetime(2024, 1, 1, tzinfo=dt.UTC)
    return book


class Command(BaseCommand):
    """Two weeks, a correction, and a file with errors."""

    help = "Write the invented sample files of shift counts into a folder."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the folder."""
        parser.add_argument("folder", type=Path)

    def handle(self, *, folder: Path, **options: Any) -> None:
        """Write them."""
        first = week(0)
        (folder / "counts-week-1.csv").write_bytes(as_csv(first))
        (folder / "counts-week-1-corrected.csv").write_bytes(as_csv(corrected(first)))
        (folder / "counts-with-errors.csv").write_bytes(as_csv(with_errors(first), ";"))
        as_workbook(week(1)).save(folder / "counts-week-2.xlsx")
        self.stdout.write("Four sample files written; every figure in them is invented.")
