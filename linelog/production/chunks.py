"""Store good rows of a file a chunk at a time: short transactions, nothing doubled, replaced rows kept."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl
from django.db import transaction

from linelog.plant.models import Plant
from linelog.production import bulk, comparing, sums
from linelog.production.comparing import CHANGED, NEW, VALUES
from linelog.production.models import CountChange, ShiftCount, Upload
from linelog.production.reading.reader import KEY, NUMBERS
from linelog.web import followers

SHIFTS = ShiftCount._meta.db_table
CHANGES = CountChange._meta.db_table
UPSERT = [*KEY, *VALUES, "upload_id", "version"]
REPLACED = [*KEY, "before", "after", "upload_id", "by_id", "at"]
# A row is replaced only if it is still as it was when it was compared: else nothing is written and we look again.
STILL_SO = "ON CONFLICT (machine_id, day, shift_id) DO UPDATE SET {} WHERE {}.version = excluded.version - 1".format(
    ", ".join(f"{name} = excluded.{name}" for name in (*VALUES, "upload_id", "version")), SHIFTS
)


class Raced(Exception):
    """Somebody changed a row between the comparing and the writing: compare again."""


class TakenOver(Exception):
    """The upload is no longer where this run left it: another run has it."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """A chunk ready to be written: what each statement takes, and how many rows are of which kind."""

    rows: int
    new: int
    changed: int
    upserts: bulk.Payload
    replaced: bulk.Payload
    touched: bulk.Payload
    machines: frozenset[int]
    first_day: dt.date | None
    at: dt.datetime


def prepare(rows: pl.DataFrame, *, upload_id: int, by_id: int, at: dt.datetime) -> Chunk:
    """Compare the rows with what is stored and make everything ready to write, outside any transaction."""
    compared = comparing.compare(rows)
    to_write = compared.filter(pl.col("what") != comparing.SAME).with_columns(
        pl.lit(upload_id).alias("upload_id"), (pl.col("was:version").fill_null(0) + 1).alias("version")
    )
    replaced = to_write.filter(pl.col("what") == CHANGED).with_columns(
        _as_json("was:").alias("before"),
        _as_json("").alias("after"),
        pl.lit(by_id).alias("by_id"),
        pl.lit(at.isoformat(sep=" ")).alias("at"),
    )
    return Chunk(
        rows=rows.height,
        new=to_write.filter(pl.col("what") == NEW).height,
        changed=replaced.height,
        upserts=bulk.payload(to_write.select(UPSERT)),
        replaced=bulk.payload(replaced.select(REPLACED)),
        touched=bulk.payload(to_write.select(sums.TOUCHED).unique(maintain_order=True)),
        machines=frozenset(to_write["machine_id"].unique()),
        first_day=to_write.select(pl.col("day").cast(pl.Date).min()).item(),
        at=at,
    )


def write(chunk: Chunk, *, upload: Upload, handled: int) -> None:
    """Write a prepared chunk in one transaction and move the upload on. Raises Raced or TakenOver: nothing is stored.

    `handled` is how many rows were dealt with before; the upload must still stand there.
    """
    with transaction.atomic():
        lock(upload.plant_id)
        changed_or_new = chunk.new + chunk.changed
        if bulk.insert(SHIFTS, UPSERT, chunk.upserts, STILL_SO) != changed_or_new:
            raise Raced
        bulk.insert(CHANGES, REPLACED, chunk.replaced)
        sums.refresh_days(chunk.touched)
        tell(upload.plant_id, chunk.machines, chunk.at, first_day=chunk.first_day, more_to_come=True)
        moved = Upload.objects.filter(pk=upload.pk, state=Upload.State.STORING, handled=handled)
        if not moved.update(
            handled=handled + chunk.rows,
            stored_new=upload.stored_new + chunk.new,
            stored_changed=upload.stored_changed + chunk.changed,
            stored_same=upload.stored_same + chunk.rows - changed_or_new,
        ):
            raise TakenOver


def tell(
    plant_id: int,
    machines: Iterable[int],
    at: dt.datetime,
    *,
    first_day: dt.date | None = None,
    more_to_come: bool = False,
) -> None:
    """Tell whoever rests on the counts that those of these machines changed, in the caller's transaction."""
    followers.tell(
        followers.COUNTS,
        plant_id=plant_id,
        machines=machines,
        at=at,
        more_to_come=more_to_come,
        first_day=first_day,
    )


def lock(plant_id: int) -> None:
    """Let only one at a time write counts of a plant, so that the daily sums see every shift.

    SQLite has one writer anyway; on PostgreSQL the plant's row is held until the transaction ends.
    """
    Plant.objects.select_for_update(no_key=True).values_list("pk").get(pk=plant_id)


def _as_json(prefix: str) -> pl.Expr:
    """Return the values of a row as the JSON text that the history keeps."""
    pairs = [
        pl.concat_str(pl.lit(f"{json.dumps(name)}: "), pl.col(prefix + name).cast(pl.String)) for name in NUMBERS
    ]
    causes = pl.concat_str(pl.lit('"by_cause": '), pl.col(prefix + "by_cause"))
    return pl.concat_str(pl.lit("{"), pl.concat_str([*pairs, causes], separator=", "), pl.lit("}"))
