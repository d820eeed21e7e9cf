"""From a file to good rows and named problems, in batches; the only loop is over batches and columns."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

import polars as pl

from linelog.production.reading import cells, dates, text, workbook
from linelog.production.reading.cells import Names
from linelog.production.reading.layout import CAUSE, KEYS, MINUTES, WHOLE, Layout, find_separator, read_heading, split
from linelog.production.reading.refusal import FileRefused
from linelog.production.reading.sniff import Kind, sniff
from linelog.production.reading.text import BROKEN, LINE, MORE

MOST_ROWS = 2_000_000
MOST_PROBLEMS = 200_000
LONGEST_VALUE = 60
TOO_MANY_CELLS = "more cells than the heading has (a decimal comma without quotation marks?)"
NUMBERS = (*WHOLE, MINUTES)
ROW = ("machine_id", "day", "shift_id", *NUMBERS, "by_cause")
PROBLEM = {"line": pl.Int64, "column": pl.String, "value": pl.String, "why": pl.String}
KEY = ["machine_id", "day", "shift_id"]
Tell = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Plant:
    """What the reader must know of the plant: names, cause codes, the newest day that may stand in a file."""

    names: Names
    causes: tuple[str, ...]
    today: dt.date


@dataclass(frozen=True, slots=True)
class Reading:
    """What a file holds.

    `rows` are the good ones in the order of machine, day and shift (columns `line` and ROW; `by_cause` is JSON
    text); `problems` name line, column, value and why in the order of lines. `asks` is set where the person must
    say first whether day or month comes first: then nothing else is.
    """

    rows: pl.DataFrame
    problems: pl.DataFrame
    total: int
    bad: int
    odd: int
    notes: list[str]
    asks: str = ""


def read_path(path: str, plant: Plant, order: dates.Order | None, tell: Tell) -> Reading:
    """Read a kept file; called in the process that reads files from outside."""
    with open(path, "rb") as file:
        return read(file, plant, order=order, tell=tell)


def read(file: BinaryIO, plant: Plant, *, order: dates.Order | None = None, tell: Tell = lambda at: None) -> Reading:
    """Read a file of counts; `tell` hears how many of its bytes are dealt with.

    Raises FileRefused with one sentence where it cannot be read at all.
    """
    try:
        return _read(file, plant, order, tell)
    except pl.exceptions.PolarsError as error:
        raise FileRefused("This table cannot be read: save it again as CSV.") from error


def _read(file: BinaryIO, plant: Plant, order: dates.Order | None, tell: Tell) -> Reading:
    layout, batches, notes = _open(file, plant, tell)
    kept: list[pl.DataFrame] = []
    problems: list[pl.DataFrame] = []
    total = 0
    for batch in batches:
        table, wrong = _check(batch, plant, layout)
        kept.append(table)
        if sum(wrong.height for wrong in problems) < MOST_PROBLEMS:
            problems.append(wrong)
        total += table.height
        if total > MOST_ROWS:
            raise FileRefused(f"The file has more than {MOST_ROWS:,} rows: send it in parts.".replace(",", " "))
        tell(file.tell())
    if not total:
        raise FileRefused("The file has a heading but no rows.")
    return _finish(pl.concat(kept), problems, plant, layout, order, notes)


def _open(file: BinaryIO, plant: Plant, tell: Tell) -> tuple[Layout, Iterator[pl.DataFrame], list[str]]:
    content = sniff(file)
    if content.kind is Kind.WORKBOOK:
        table, sheet = workbook.open_sheet(file, tell)
        if not table.height:
            raise FileRefused(f"The first sheet, '{sheet}', is empty.")
        layout = read_heading(table.row(0), plant.causes)
        return layout, workbook.batches(table, layout), _notes(layout, f"Read from the first sheet, '{sheet}'.")
    heading = text.first_line(file, content.encoding)
    separator = find_separator(heading)
    layout = read_heading(split(heading, separator), plant.causes)
    return layout, text.batches(file, content.encoding, separator, layout), _notes(layout, content.note)


def _notes(layout: Layout, first: str) -> list[str]:
    notes = [first] if first else []
    if layout.not_read:
        notes.append(f"Not read, because the heading is not one of ours: {', '.join(layout.not_read)}.")
    if not layout.causes:
        notes.append("The file has no columns of causes: the rows it stores have none.")
    return notes


def _check(batch: pl.DataFrame, plant: Plant, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the batch as numbers, with `ok` and the date still as text, and what is wrong with it."""
    columns = [name for name in layout.columns if name]
    table = batch.with_columns(cells.typed(name) for name in (*columns, MORE))
    table = table.filter(
        pl.any_horizontal(pl.col(BROKEN), *(pl.col(name).is_not_null() for name in (*columns, MORE)))
    )
    counts = [*WHOLE, *(CAUSE + code for code in layout.causes)]
    table = table.with_columns(
        cells.look_up(table["machine"], plant.names.machines).alias("machine_id"),
        cells.look_up(table["shift"], plant.names.shifts).alias("shift_id"),
        *(cells.whole(table[name]).alias(f"n:{name}") for name in counts),
        cells.minutes(table[MINUTES]).alias(f"n:{MINUTES}"),
        (~pl.col(BROKEN) & pl.col(MORE).is_null()).alias("whole"),
    )
    wrong = _problems(table, plant, layout)
    table = table.select(
        LINE,
        "machine_id",
        "date",
        "shift_id",
        *(pl.col(f"n:{name}").alias(name) for name in (*counts, MINUTES)),
        "whole",
        ok=~pl.col(LINE).is_in(wrong["line"].unique().implode()),
    )
    return table, wrong


def _problems(table: pl.DataFrame, plant: Plant, layout: Layout) -> pl.DataFrame:
    """Name everything wrong with a batch; the reasons are worked out for the rows that failed, not for all."""
    whole = table.filter(pl.col("whole"))
    found = [
        named(table.filter(pl.col(BROKEN)), "", pl.lit(""), pl.lit("a quotation mark without its partner")),
        named(table.filter(pl.col(MORE).is_not_null()), "", pl.col(MORE), pl.lit(TOO_MANY_CELLS)),
        _not_found(whole, "machine", "machine_id", cells.why_not_name("machine", "machine", plant.names.doubtful)),
        _not_found(whole, "shift", "shift_id", cells.why_not_name("shift", "shift")),
        *(_not_found(whole, name, f"n:{name}", cells.why_not_whole(name)) for name in WHOLE),
        _not_found(whole, MINUTES, f"n:{MINUTES}", cells.why_not_minutes(MINUTES)),
    ]
    for name in (CAUSE + code for code in layout.causes):  # an empty cell of a cause means none
        found.append(
            _not_found(whole.filter(pl.col(name).is_not_null()), name, f"n:{name}", cells.why_not_whole(name))
        )
    if layout.causes:
        total = pl.sum_horizontal(pl.col(f"n:{CAUSE}{code}").fill_null(0) for code in layout.causes)
        more = whole.filter(total > pl.col("n:spoiled"))
        found.append(
            named(more, "spoiled", pl.col("spoiled"), pl.format("the causes add up to {}, which is more", total))
        )
    return pl.concat(found)


def _not_found(table: pl.DataFrame, column: str, value: str, why: pl.Expr) -> pl.DataFrame:
    return named(table.filter(pl.col(value).is_null()), column, pl.col(column), why)


def named(table: pl.DataFrame, column: str, value: pl.Expr, why: pl.Expr) -> pl.DataFrame:
    """Return the rows of a table as problems of one column."""
    return table.select(
        pl.col(LINE).cast(pl.Int64).alias("line"),
        pl.lit(column, dtype=pl.String).alias("column"),
        value.fill_null("").str.head(LONGEST_VALUE).alias("value"),
        why.alias("why"),
    )


def _finish(
    table: pl.DataFrame,
    problems: list[pl.DataFrame],
    plant: Plant,
    layout: Layout,
    order: dates.Order | None,
    notes: list[str],
) -> Reading:
    """Settle what only the whole file shows: the order of dates, and rows that stand twice."""
    shown = dates.evidence(table.select("date", LINE))
    order = order or shown.order()
    question = _question(shown) if order is None else ""
    if question:
        return Reading(table.clear(), pl.DataFrame(schema=PROBLEM), table.height, 0, 0, notes, question)
    table = table.with_columns(dates.parse(table["date"], order).alias("day"))
    not_good = table.filter(pl.col("whole") & ~pl.col("day").is_between(dates.EARLIEST, plant.today).fill_null(False))
    wrong_dates = named(not_good, "date", pl.col("date"), dates.why_not("date", "day", plant.today))
    twice = _twice(table.filter(pl.col("whole")))
    wrong = pl.concat([*problems, wrong_dates, twice]).sort("line", maintain_order=True)
    later = pl.concat([wrong_dates["line"], twice["line"]]).unique()
    good = table.filter(pl.col("ok") & ~pl.col(LINE).is_in(later.implode()))
    rows = good.sort(KEY).select(LINE, *ROW[:-1], _by_cause(layout).alias("by_cause"))
    odd = rows.filter(pl.col("spoiled") > pl.col("cans"))
    if odd.height:
        first = odd[LINE].sort()[0]
        notes.append(f"Rows with more spoiled than good cans: {odd.height}, the first at line {first}.")
    return Reading(rows, wrong, table.height, table.height - rows.height, odd.height, notes)


def _question(shown: dates.Evidence) -> str:
    if shown.day_first and shown.month_first:
        (first, line), (second, other) = shown.day_first, shown.month_first
        return f"Line {line} says {first} (day first) and line {other} says {second} (month first): which is meant?"
    if shown.open_one:
        value, line = shown.open_one
        return f"Line {line} says {value}, and no date in the file shows whether day or month comes first."
    return ""


def _twice(table: pl.DataFrame) -> pl.DataFrame:
    """Name every row whose machine, day and shift stand in another row too, with that other row's line."""
    keyed = table.select(LINE, *KEY).filter(pl.all_horizontal(pl.col(name).is_not_null() for name in KEY))
    keyed = keyed.filter(pl.struct(KEY).is_duplicated()).sort(LINE)
    first = pl.col(LINE).first().over(KEY)
    second = pl.col(LINE).get(1).over(KEY)
    other = pl.when(pl.col(LINE) == first).then(second).otherwise(first)
    why = pl.format("the same machine, day and shift as line {}", other)
    return named(keyed, ", ".join(KEYS), pl.lit(""), why)


def cause_order(codes: Iterable[str]) -> list[str]:
    """Return cause codes as they stand in `by_cause`: short ones first, as PostgreSQL keeps the keys of JSON."""
    return sorted(codes, key=lambda code: (len(code), code))


def _by_cause(layout: Layout) -> pl.Expr:
    """Return the JSON text of the spoiled cans by cause, zeros left out."""
    pairs = [
        pl.when(pl.col(CAUSE + code) > 0).then(
            pl.concat_str(pl.lit(json.dumps(code) + ": "), pl.col(CAUSE + code).cast(pl.String))
        )
        for code in cause_order(layout.causes)
    ]
    if not pairs:
        return pl.lit("{}")
    return pl.concat_str(pl.lit("{"), pl.concat_str(pairs, separator=", ", ignore_nulls=True), pl.lit("}"))
