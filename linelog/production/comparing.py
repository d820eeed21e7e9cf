"""Rows of a file beside what is stored: new, changed or the same. Reads only."""

from __future__ import annotations

import json

import polars as pl
from django.db import connection

from linelog.production import bulk
from linelog.production.models import ShiftCount
from linelog.production.reading.reader import KEY, NUMBERS, cause_order

DAY = ["machine_id", "day"]
VALUES = (*NUMBERS, "by_cause")
STORED = {
    "machine_id": pl.Int64,
    "day": pl.String,
    "shift_id": pl.Int64,
    **{name: pl.Float64 if name == "minutes_down" else pl.Int64 for name in NUMBERS},
    "by_cause": pl.String,
    "version": pl.Int64,
}
NEW, CHANGED, SAME = "new", "changed", "same"


def causes_text(by_cause: dict[str, int]) -> str:
    """Return spoiled cans by cause as the one text that we compare: codes in their order, zeros left out."""
    return json.dumps({code: by_cause[code] for code in cause_order(by_cause) if by_cause[code]})


# As text, which is read a column at a time below, and not made an object for each row.
_STORED = """
SELECT s.machine_id, CAST(s.day AS text), s.shift_id, {numbers}, CAST(s.by_cause AS text), s.version
FROM compared t CROSS JOIN {shifts} s WHERE s.machine_id = t.machine_id AND s.day = t.day
""".format(shifts=ShiftCount._meta.db_table, numbers=", ".join(f"s.{name}" for name in NUMBERS))


def stored(rows: pl.DataFrame) -> pl.DataFrame:
    """Return what is stored of the machines and days of these rows."""
    days = bulk.payload(rows.select(DAY).unique(maintain_order=True))
    with bulk.temporary("compared", ShiftCount._meta.db_table, DAY, days), connection.cursor() as cursor:
        cursor.execute(_STORED)
        found = cursor.fetchall()
    return pl.DataFrame(found, schema=STORED, orient="row").with_columns(pl.col("day").str.to_date("%Y-%m-%d"))


def compare(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with `what` (new, changed, same) and beside each value what is stored, as `was:<name>`."""
    kept = stored(rows).rename({name: f"was:{name}" for name in (*VALUES, "version")})
    both = rows.join(kept, on=KEY, how="left", maintain_order="left")
    both = both.with_columns(_same_text(both["by_cause"], both["was:by_cause"]))
    differs = pl.any_horizontal(pl.col(name) != pl.col(f"was:{name}") for name in VALUES)
    what = pl.when(pl.col("was:version").is_null()).then(pl.lit(NEW)).when(differs).then(pl.lit(CHANGED))
    return both.with_columns(what.otherwise(pl.lit(SAME)).alias("what"))


def _same_text(file: pl.Series, kept: pl.Series) -> pl.Series:
    """Rewrite stored causes whose text differs: it may be the same causes in another order."""
    other = kept.filter((file != kept).fill_null(False)).unique()
    rewritten = {text: causes_text(json.loads(text)) for text in other}
    return kept.replace(rewritten) if rewritten else kept
