"""Tables as files: CSV, a workbook, Parquet. A file is made batch by batch, however long the table."""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import io
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import polars as pl

from linelog.production.tables import guarded
from linelog.reports.tables.registry import DICTIONARY, dictionary_of
from linelog.reports.tables.table import Column, Kind, Plain, Row, Table
from linelog.web.errors import Refused

MOST_IN_A_WORKBOOK = 50_000  # it takes about 0.6 ms a row to make: half a minute
LONGEST_TEXT = 32_767  # of a cell, by the format
TYPES: dict[Kind, Any] = {
    Kind.TEXT: pl.String,
    Kind.WHOLE: pl.Int64,
    Kind.NUMBER: pl.Float64,
    Kind.YES_NO: pl.Boolean,
    Kind.DATE: pl.Date,
    Kind.TIME: pl.Datetime("us", "UTC"),
}
Batches = Iterable[Sequence[Row]]


def csv_pieces(columns: Sequence[Column], batches: Batches) -> Iterator[bytes]:
    """Yield a table as CSV (RFC 4180) in UTF-8: times by ISO 8601 with their offset, text guarded, no value empty."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([column.name for column in columns])
    yield codecs.BOM_UTF8
    for batch in batches:
        writer.writerows([_in_csv(value) for value in row] for row in batch)
        yield text.getvalue().encode()
        text.seek(0)
        text.truncate()
    yield text.getvalue().encode()


def _in_csv(value: Plain) -> str | int | float:
    if value is None:
        return ""
    if isinstance(value, str):
        return guarded(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return value if isinstance(value, int | float) else value.isoformat()


def workbook(table: Table, batches: Batches) -> IO[bytes]:
    """Return a workbook with the table and its data dictionary, on disk and gone once closed.

    Its dates and numbers are real ones. A workbook knows no time zones: times are by the plant's wall clock.
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet(table.title)
    sheet.freeze_panes = "A2"
    sheet.append([column.name for column in table.columns])
    for batch in batches:
        for row in batch:
            sheet.append([_in_cell(value) for value in row])
    told = book.create_sheet("Data dictionary")
    told.append([column.name for column in DICTIONARY])
    for row in dictionary_of(table):
        told.append([_in_cell(value) for value in row])
    out = tempfile.TemporaryFile()  # noqa: SIM115  # the answer closes it
    book.save(out)
    out.seek(0)
    return out


def not_too_long(rows: int) -> None:
    """Refuse a workbook of more rows than one can be worked with."""
    if rows > MOST_IN_A_WORKBOOK:
        most = f"{MOST_IN_A_WORKBOOK:,}".replace(",", "\u202f")
        raise Refused(f"A workbook takes {most} rows: choose fewer days or one line, or take CSV or Parquet.")


def _in_cell(value: Plain) -> Plain:
    if isinstance(value, str):
        from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

        return guarded(ILLEGAL_CHARACTERS_RE.sub("", value))[:LONGEST_TEXT]
    return value.replace(tzinfo=None) if isinstance(value, dt.datetime) else value


def parquet(table: Table, batches: Batches, zone: str) -> IO[bytes]:
    """Return the table as Parquet, on disk and gone once closed; times carry the plant's zone."""
    with tempfile.TemporaryDirectory() as folder:
        parts = Path(folder)
        _frame(table.columns, [], zone).write_parquet(parts / "000000.part")
        for number, batch in enumerate(batches, start=1):
            _frame(table.columns, batch, zone).write_parquet(parts / f"{number:06}.part")
        whole = parts / "whole.parquet"
        pl.scan_parquet(sorted(parts.glob("*.part"))).sink_parquet(whole)
        return whole.open("rb")


def _frame(columns: Sequence[Column], rows: Sequence[Row], zone: str) -> pl.DataFrame:
    schema = {column.name: TYPES[column.kind] for column in columns}
    times = [column.name for column in columns if column.kind is Kind.TIME]
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    return frame.with_columns(pl.col(name).dt.convert_time_zone(zone) for name in times)
