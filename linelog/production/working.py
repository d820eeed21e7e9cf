"""The long work on an upload: read it and compare, or store it. Run by the worker, or at once where it is short."""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
from django.db import connection, transaction

from linelog.production import chunks, comparing
from linelog.production.days import zone
from linelog.production.models import Upload
from linelog.production.names import for_reading, machine_names
from linelog.production.reading import reader
from linelog.production.reading.bounds import TABLES
from linelog.production.reading.dates import Order
from linelog.production.reading.refusal import FileRefused
from linelog.production.tables import csv_bytes
from linelog.web import sandbox
from linelog.web.errors import Refused

Tell = Callable[..., None]
SHOWN_PROBLEMS = 200
SHOWN_CHANGES = 20
COMPARE_ROWS = 50_000
READING_SHARE = 700  # of 1000 steps; the rest is comparing with what is stored
MOST_RACES = 50


def rows_path(upload: Upload) -> Path:
    """Where the good rows wait between reading and storing."""
    return Path(upload.file.path + ".rows")


def problems_path(upload: Upload) -> Path:
    """Where all the bad rows are kept for download."""
    return Path(upload.file.path + ".problems.csv")


def read_upload(upload: Upload, tell: Tell, now: dt.datetime) -> str:
    """Read the file, compare it with what is stored, keep the outcome; return it in a sentence. Stores no counts."""
    try:
        reading = sandbox.call(
            "linelog.production.reading.reader:read_path",
            TABLES,
            path=upload.file.path,
            plant=for_reading(upload.plant, now),
            order=Order(upload.date_order) if upload.date_order else None,
            tell=lambda at: tell(round(READING_SHARE * at / max(upload.size, 1))),
        )
    except (FileRefused, sandbox.Overrun, sandbox.Broken) as refused:
        return _outcome(upload, Upload.State.REFUSED, refused.sentence)
    if reading.asks:
        return _outcome(upload, Upload.State.QUESTION, reading.asks, rows=reading.total, bad_rows=0)
    kinds, changes = _compare(reading.rows, upload, tell)
    reading.rows.write_parquet(rows_path(upload))
    problems_path(upload).write_bytes(csv_bytes(reading.problems))
    return _outcome(
        upload,
        Upload.State.PREVIEWED,
        _say(reading.total, kinds),
        rows=reading.total,
        bad_rows=reading.bad,
        odd_rows=reading.odd,
        new_rows=kinds.get(comparing.NEW, 0),
        changed_rows=kinds.get(comparing.CHANGED, 0),
        same_rows=kinds.get(comparing.SAME, 0),
        problems=reading.problems.head(SHOWN_PROBLEMS).to_dicts(),
        changes=changes,
        notes=[*_earlier(upload), *reading.notes],
        handled=0,
    )


def _say(total: int, kinds: dict[str, int]) -> str:
    if total and kinds.get(comparing.SAME, 0) == total:
        return "Every row is stored already just as it is here: storing the file would change nothing."
    return ""


def _outcome(upload: Upload, state: str, sentence: str, **more: Any) -> str:
    Upload.objects.filter(pk=upload.pk, state=Upload.State.CHECKING).update(
        state=state, sentence=sentence[:500], **more
    )
    return sentence


def _earlier(upload: Upload) -> list[str]:
    before = Upload.objects.filter(plant=upload.plant, sha256=upload.sha256, state=Upload.State.STORED)
    first = before.exclude(pk=upload.pk).order_by("at").first()
    if first is None:
        return []
    day = first.at.astimezone(zone(upload.plant)).strftime("%Y-%m-%d %H:%M")
    return [f"This very file was stored before: on {day} by {first.by}."]


def _compare(rows: pl.DataFrame, upload: Upload, tell: Tell) -> tuple[dict[str, int], list[dict[str, Any]]]:
    """Count the rows by kind and take the first changed ones as examples."""
    kinds: dict[str, int] = {}
    changes: list[dict[str, Any]] = []
    names = machine_names(upload.plant)
    for start in range(0, rows.height, COMPARE_ROWS):
        compared = comparing.compare(rows.slice(start, COMPARE_ROWS))
        for kind, count in compared["what"].value_counts().rows():
            kinds[kind] = kinds.get(kind, 0) + count
        changed = compared.filter(pl.col("what") == comparing.CHANGED).head(SHOWN_CHANGES - len(changes))
        changes += [_example(row, names) for row in changed.to_dicts()]
        tell(
            READING_SHARE + round((1000 - READING_SHARE) * start / rows.height),
            message="Comparing with what is stored",
        )
    return kinds, changes


def _example(row: dict[str, Any], names: dict[int, str]) -> dict[str, Any]:
    """Return a changed row as plain values: where it stands, what is stored, what the file says."""
    return {
        "line": row["line"],
        "machine": names.get(row["machine_id"], ""),
        "day": row["day"].isoformat(),
        "shift_id": row["shift_id"],
        "before": _values(row, "was:"),
        "after": _values(row, ""),
    }


def _values(row: dict[str, Any], prefix: str) -> dict[str, Any]:
    causes = json.loads(row[f"{prefix}by_cause"])
    return {**{name: row[prefix + name] for name in reader.NUMBERS}, "by_cause": causes}


def store_upload(upload: Upload, tell: Tell, now: dt.datetime, *, by_id: int, pace: Pace | None = None) -> str:
    """Store the good rows from where the upload stands; return the outcome in a sentence."""
    path = rows_path(upload)
    if not path.is_file():
        raise Refused("What was read of this file is no longer there: read it again.")
    rows = pl.read_parquet(path)
    tell(upload.handled, total=rows.height, message="Storing")
    try:
        _store_chunks(rows, upload, tell, now, by_id, pace or Pace())
    finally:  # what is stored counts, even where the rest was cancelled
        with transaction.atomic():
            chunks.tell(upload.plant_id, (), now)
    Upload.objects.filter(pk=upload.pk).update(state=Upload.State.STORED, sentence="")
    path.unlink(missing_ok=True)
    return f"{upload.stored_new} new, {upload.stored_changed} changed, {upload.stored_same} were the same."


def _store_chunks(rows: pl.DataFrame, upload: Upload, tell: Tell, now: dt.datetime, by_id: int, pace: Pace) -> None:
    races = 0
    while upload.handled < rows.height:
        chunk = chunks.prepare(rows.slice(upload.handled, pace.rows), upload_id=upload.pk, by_id=by_id, at=now)
        try:
            with pace:
                chunks.write(chunk, upload=upload, handled=upload.handled)
        except chunks.Raced:
            races += 1
            if races > MOST_RACES:
                raise Refused("Others change the same counts all the time: try again later.") from None
            continue
        upload.refresh_from_db(fields=["handled", "stored_new", "stored_changed", "stored_same"])
        tell(upload.handled)


class Pace:
    """How many rows a transaction takes, and the pause after it, so that a tablet's write never waits long.

    SQLite has one writer: a transaction is kept short and followed by a pause as long as itself, in which the
    tablets' turn comes. PostgreSQL locks only the rows, so its transactions may be larger.
    """

    def __init__(self, *, sleep: Callable[[float], None] = time.sleep) -> None:
        self.one_writer = connection.vendor == "sqlite"
        self.rows = 1_000 if self.one_writer else 10_000
        self.most = 5_000 if self.one_writer else 50_000
        self.wanted_s = 0.04 if self.one_writer else 0.5
        self._sleep = sleep
        self._began = 0.0

    def __enter__(self) -> Pace:
        self._began = time.monotonic()
        return self

    def __exit__(self, *error: object) -> None:
        took = max(time.monotonic() - self._began, 1e-4)
        self.rows = round(min(max(self.rows * self.wanted_s / took, self.rows / 2, 200), self.rows * 2, self.most))
        if self.one_writer:
            self._sleep(min(took, 0.2))
