"""Time the full demonstration plant into a scratch database.

    python -m tests.bench.bench_demo

SQLite; with DATABASE_URL set, the server that it names, whose database must have no plant yet (nothing is kept there
that was not there: the load is taken back). The goal is under 30 s on two quiet cores.
"""

from __future__ import annotations

import os
import tempfile
import time

FOLDER = tempfile.TemporaryDirectory(prefix="linelog-bench-")
os.environ.setdefault("LINELOG_SECRET_KEY", "only-for-the-bench-" + "x" * 40)
os.environ["LINELOG_DATA"] = FOLDER.name
os.environ["LINELOG_LOG_LEVEL"] = "WARNING"
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "linelog.settings")


def main() -> None:
    """Migrate, load, print."""
    import django

    django.setup()
    from django.core.management import call_command
    from django.db import connection, transaction
    from django.utils import timezone

    from linelog.demo import load, scenario

    call_command("migrate", interactive=False, verbosity=0)
    began, cpu = time.perf_counter(), time.process_time()
    with transaction.atomic():
        stored = load.load(scenario.read(), at=timezone.now())
        spent = time.perf_counter() - began
        transaction.set_rollback(connection.vendor != "sqlite")
    print(f"{connection.vendor}: loaded in {spent:.1f} s ({time.process_time() - cpu:.1f} s of it ours)")
    print(", ".join(f"{count:,} {name}" for name, count in stored.items()))


if __name__ == "__main__":
    main()
