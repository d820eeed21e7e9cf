"""How fast a file of shift counts goes in, against the database's own bulk load of the same rows, on both databases.

    python -m tests.bench.bench_import [--rows 1000000]

The bare load puts ready-made rows into the same table with the same indexes, in one transaction: executemany on
SQLite, COPY on PostgreSQL (a private server, fsync off for both). The import reads and checks the file, compares
every row with what is stored, keeps the daily sums, and lets others write in between; meanwhile a second process
writes a row every 50 ms, as a tablet would, and notes how long it waits.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.postgres import Absent, private_cluster

ROOT = Path(__file__).resolve().parents[2]
MACHINES = 40
SLOW_ROWS = 20_000  # for the ways of writing that are compared only with each other


HEADING = "machine,date,shift,cans,spoiled,tear_offs,short_cans,jams,minutes_down,spoiled:A,spoiled:B"


def write_file(path: Path, rows: int) -> int:
    """Write an invented file of about so many rows; return how many."""
    day, lines = dt.date(1995, 1, 1), [HEADING]
    while len(lines) <= rows:
        for machine in range(MACHINES):
            for number, shift in enumerate("ABC"):
                n = len(lines)
                counts = (120000 + n % 977, 300 + n % 50, n % 7, number, n % 2, n % 99 / 2, n % 40, n % 5)
                lines.append(f"BM {machine},{day},{shift}," + ",".join(map(str, counts)))
        day += dt.timedelta(days=1)
    path.write_text("\n".join(lines) + "\n")
    return len(lines) - 1


def timed(name: str, rows: int, work: Callable[[], Any]) -> Any:
    """Do the work and print its rate."""
    started = time.perf_counter()
    outcome = work()
    took = time.perf_counter() - started
    print(f"  {name:<58} {took:7.2f} s {rows / took:10,.0f} rows/s", flush=True)
    return outcome


def write_as_a_tablet() -> None:
    """Write a row every 50 ms until the standard input closes, then print how long each took."""
    from django.utils import timezone

    from linelog.web.models import WriteKey

    over, times = threading.Event(), []
    threading.Thread(target=lambda: (sys.stdin.read(), over.set()), daemon=True).start()
    while not over.wait(0.05):
        started = time.perf_counter()
        WriteKey.objects.create(actor_id=1, key=str(time.time_ns()), digest="x", at=timezone.now())
        times.append(1000 * (time.perf_counter() - started))
    times.sort()
    print(
        f"  a tablet's write meanwhile ({len(times)} of them): p50 {times[len(times) // 2]:.1f} ms, "
        f"p95 {times[int(0.95 * len(times))]:.1f} ms, longest {times[-1]:.0f} ms"
    )


@contextmanager
def a_tablet() -> Iterator[None]:
    """Let another process write all the while."""
    command = [sys.executable, "-m", "tests.bench.bench_import", "--tablet"]
    writer = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE)
    time.sleep(3)  # until it has started
    try:
        yield
    finally:
        writer.communicate()


def bare_load(rows: Any) -> int:
    """Load ready-made rows by the database's own means, in one transaction."""
    from django.db import transaction

    from linelog.production import bulk
    from linelog.production.chunks import SHIFTS, UPSERT

    with transaction.atomic():
        return bulk.insert(SHIFTS, UPSERT, rows)


def empty() -> None:
    from django.db import connection

    from linelog.production.models import CountChange, DayCount, ShiftCount

    for model in (CountChange, DayCount, ShiftCount):
        model.objects.all()._raw_delete(model.objects.db)
    with connection.cursor() as cursor:
        cursor.execute("VACUUM")


def by_bulk_create(table: Any) -> None:
    """Write rows through the ORM, as a comparison."""
    import json

    from linelog.production.models import ShiftCount

    for start in range(0, table.height, 2_000):
        rows = table.slice(start, 2_000).to_dicts()
        shifts = [ShiftCount(**{**row, "by_cause": json.loads(row["by_cause"])}) for row in rows]
        ShiftCount.objects.bulk_create(
            shifts,
            update_conflicts=True,
            unique_fields=["machine", "day", "shift"],
            update_fields=["cans", "spoiled"],
        )


def measure(path: Path, rows: int) -> None:
    """Measure one database, which is empty. A process of its own."""
    import polars as pl
    from django.conf import settings
    from django.core.files import File
    from django.core.management import call_command
    from django.utils import timezone

    from linelog.plant.models import Machine
    from linelog.production import bulk, working
    from linelog.production.chunks import UPSERT
    from linelog.production.models import SpoilageCause, Upload
    from linelog.production.names import for_reading
    from linelog.production.reading import reader
    from linelog.production.services import uploads
    from tests import factories

    call_command("migrate", verbosity=0)
    plant = factories.plant()
    line = factories.line(plant)
    Machine.objects.bulk_create(Machine(line=line, name=f"BM {number}") for number in range(MACHINES))
    SpoilageCause.objects.bulk_create(SpoilageCause(plant=plant, code=code, name=code) for code in "AB")
    who, now = factories.person("quality", plant), timezone.now()
    engine = settings.DATABASES["default"]["ENGINE"].rpartition(".")[2]
    print(f"{engine}: {rows:,} rows, {path.stat().st_size / 1e6:.0f} MB")

    with path.open("rb") as file:
        read = timed("read and check the file", rows, lambda: reader.read(file, for_reading(plant, now)))
    table = read.rows.with_columns(
        pl.lit(None, dtype=pl.Int64).alias("upload_id"), pl.lit(1).alias("version")
    ).select(UPSERT)
    ready = [timed("make the rows ready for the bare load", rows, lambda: bulk.payload(table))]
    timed("BARE LOAD of ready-made rows", rows, lambda: bare_load(ready.pop()))
    empty()
    part = table.head(SLOW_ROWS)
    timed("  of these some: ORM bulk_create(update_conflicts)", part.height, lambda: by_bulk_create(part))
    empty()
    timed("  of these some: the program's own statement", part.height, lambda: bare_load(bulk.payload(part)))
    empty()

    uploads.SMALL_BYTES = uploads.FEW_ROWS = 10**12  # at once, in this process

    def send() -> Upload:
        with path.open("rb") as file:
            return uploads.receive(by=who, at=now, plant=plant, file=File(file, "bench.csv"), limit_bytes=10**12)

    def store(upload: Upload) -> Upload:
        return uploads.store(by=who, at=now, upload=upload, odd_are_right=True)

    upload = timed("file to preview", rows, send)
    with a_tablet():
        timed("IMPORT of all-new rows, letting others write", rows, lambda: store(upload))
    timed("the same file again to preview: all the same", rows, send)
    changed = path.with_suffix(".changed")
    changed.write_text(path.read_text().replace(",A,12", ",A,13"))
    path = changed
    upload = timed("a corrected file to preview", rows, send)
    print(f"  ({upload.changed_rows:,} rows of it changed)")
    with a_tablet():
        timed("import of the corrected file with its history", rows, lambda: store(upload))
    working.problems_path(upload).unlink()


def main() -> None:
    """Measure both databases, each in a process and a folder of its own."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rows", type=int, default=1_000_000)
    options.add_argument("--one", type=Path)
    options.add_argument("--tablet", action="store_true")
    given = options.parse_args()
    if given.one or given.tablet:
        import django

        django.setup()
        write_as_a_tablet() if given.tablet else measure(given.one, given.rows)
        return
    with tempfile.TemporaryDirectory(prefix="linelog-bench-") as folder:
        file = Path(folder) / "counts.csv"
        rows = write_file(file, given.rows)
        command = [sys.executable, "-m", "tests.bench.bench_import", "--rows", str(rows), "--one", str(file)]
        surroundings = {**os.environ, "DJANGO_SETTINGS_MODULE": "linelog.settings", "LINELOG_SECRET_KEY": "bench"}
        subprocess.run(
            command, cwd=ROOT, check=True, env={**surroundings, "LINELOG_DATA": folder, "DATABASE_URL": ""}
        )
        try:
            with private_cluster() as url:
                subprocess.run(
                    command, cwd=ROOT, check=True, env={**surroundings, "LINELOG_DATA": folder, "DATABASE_URL": url}
                )
        except Absent as absent:
            print(f"PostgreSQL left out: {absent}")


if __name__ == "__main__":
    main()
