"""Dates of a whole file: ISO 8601, or day and month in the one order that the file itself proves."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum

import polars as pl

EARLIEST = dt.date(1980, 1, 1)
# A workbook's date cell comes as midnight of that day.
ISO = r"^(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]00:00(?::00(?:\.0+)?)?)?$"
ORDERED = r"^(\d{1,2})([./])(\d{1,2})[./](\d{4})$"
SERIAL = r"^\d{5}(?:\.\d+)?$"


class Order(StrEnum):
    """Which comes first where a date does not begin with the year."""

    DAY_FIRST = "dmy"
    MONTH_FIRST = "mdy"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the dates of a file show: an example and its line of what is meant only one way, and of what is open."""

    day_first: tuple[str, int] | None
    month_first: tuple[str, int] | None
    open_one: tuple[str, int] | None

    def order(self) -> Order | None:
        """Return the order that the file proves; None where it proves none, or both."""
        if self.day_first and not self.month_first:
            return Order.DAY_FIRST
        if self.month_first and not self.day_first:
            return Order.MONTH_FIRST
        return None


def evidence(table: pl.DataFrame) -> Evidence:
    """Look at every date (`date`, `line`) that is not ISO.

    Dots mean day first, as DIN 5008 writes it, unless a date of the file proves otherwise.
    """
    parts = table.group_by("date").agg(pl.col("line").min()).filter(pl.col("date").str.contains(ORDERED))
    parts = parts.sort("line").with_columns(
        first=pl.col("date").str.extract(ORDERED, 1).cast(pl.Int32),
        second=pl.col("date").str.extract(ORDERED, 3).cast(pl.Int32),
        dots=pl.col("date").str.extract(ORDERED, 2) == ".",
    )
    month_first = (pl.col("second") > 12) & (pl.col("first") <= 12)
    day_first = (pl.col("first") > 12) & (pl.col("second") <= 12)
    either_way = (pl.col("first") <= 12) & (pl.col("second") <= 12)
    return Evidence(
        _first(parts, day_first | (either_way & pl.col("dots"))),
        _first(parts, month_first),
        # 03/03/2026 is the same day both ways.
        _first(parts, either_way & ~pl.col("dots") & (pl.col("first") != pl.col("second"))),
    )


def _first(parts: pl.DataFrame, which: pl.Expr) -> tuple[str, int] | None:
    found = parts.filter(which).select("date", "line").head(1).rows()
    return found[0] if found else None


def parse(written: pl.Series, order: Order | None) -> pl.Series:
    """Return the days that are meant; null where a text is no date. Works date by date, not row by row."""
    different = pl.DataFrame({"date": written.unique().drop_nulls()})
    text = pl.col("date")
    iso = pl.concat_str([text.str.extract(ISO, group) for group in (1, 2, 3)], separator="-")
    day, month = (1, 3) if order is not Order.MONTH_FIRST else (3, 1)
    ordered = pl.concat_str([text.str.extract(ORDERED, group) for group in (4, month, day)], separator="-")
    days = different.select("date", day=pl.coalesce(iso, ordered).str.to_date("%Y-%m-%d", strict=False))
    return pl.DataFrame({"date": written}).join(days, on="date", how="left", maintain_order="left")["day"]


def why_not(column: str, day: str, today: dt.date) -> pl.Expr:
    """Return what is wrong with a date that is none, or none that may be."""
    text = pl.col(column)
    return (
        pl.when(pl.col(day) > today)
        .then(pl.lit("a day that has not come yet"))
        .when(pl.col(day) < EARLIEST)
        .then(pl.lit(f"before {EARLIEST.year}"))
        .when(text.is_null())
        .then(pl.lit("empty"))
        .when(text.str.contains(SERIAL))
        .then(pl.lit("a number, not a date: format the column as dates"))
        .when(text.str.contains(ISO) | text.str.contains(ORDERED))
        .then(pl.lit("no such day"))
        .otherwise(pl.lit("not a date: write 2026-03-31"))
    )
