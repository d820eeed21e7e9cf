"""Tables that leave the program as CSV."""

from __future__ import annotations

import codecs

import polars as pl

# A spreadsheet takes text that begins like this for a formula (OWASP, 'CSV injection'): an apostrophe stops it.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def guarded(text: str) -> str:
    """Return text so that no spreadsheet takes it for a formula. For text only: a number keeps its sign."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def csv_bytes(table: pl.DataFrame) -> bytes:
    """Return the table as CSV in UTF-8, marked so that spreadsheets read it as that, its text guarded."""
    texts = [name for name, kind in table.schema.items() if kind == pl.String]
    starts = [pl.col(name).str.contains(r"^[=+\-@\t\r]") for name in texts]
    safe = table.with_columns(
        pl.when(risky).then(pl.concat_str(pl.lit("'"), pl.col(name))).otherwise(pl.col(name)).alias(name)
        for name, risky in zip(texts, starts, strict=True)
    )
    return codecs.BOM_UTF8 + safe.write_csv().encode()
