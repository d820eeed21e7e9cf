"""Time the machine page and the front page against the bare SQL they need, in one run.

    python -m tests.bench.bench_pages [--quick]

Fills a scratch database (SQLite; PostgreSQL as well where DATABASE_URL names a server, or where one can be started,
in a database of its own that is dropped at the end) with ten years of shifts for one machine, and with 120 machines and 1.3 million shift rows. Then
asks for the pages through the whole chain of middleware, and prints p50 and p95 beside those of the bare queries,
run again by a plain cursor, plus writing the figures as JSON. Every figure here is invented.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from typing import Any

FOLDER = tempfile.mkdtemp(prefix="linelog-bench-")
os.environ.setdefault("LINELOG_SECRET_KEY", "only-for-the-bench-" + "x" * 40)
os.environ["LINELOG_DATA"] = FOLDER
os.environ["LINELOG_LOG_LEVEL"] = "WARNING"
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "linelog.settings")
MACHINES, SHIFTS, DAYS = 120, 3, 3650
ROUNDS = 60


def fill(quick: bool) -> dict[str, Any]:
    """Make the plant: returns the person who asks and the machine looked at."""
    from django.utils import timezone

    from linelog.plant.models import Shift
    from linelog.production.models import ShiftCount
    from tests import factories
    from tests.trends import invented

    now = timezone.now()
    today = now.date()
    machines, days = (12, 365) if quick else (MACHINES, DAYS)
    plant = factories.plant(name="Bench")
    by = factories.person("manager", plant)
    lines = [factories.line(plant, name=f"Line {number}") for number in range(max(1, machines // 10))]
    shifts = list(Shift.objects.filter(plant=plant))
    rows = 0
    for number in range(machines):
        machine = factories.machine(lines[number % len(lines)], mark=str(number), name=f"BM {number}")
        invented.history(machine, by, 120 if number == 0 else 40, until=now, every=30, seed=number)
        sums = invented.day_rows(machine, days, until=today, seed=number)
        machine.day_counts.bulk_create(sums, batch_size=2000)
        parts = [
            ShiftCount(machine=machine, day=one.day, shift=shift, cans=one.cans // 3, spoiled=one.spoiled // 3)
            for one in sums
            for shift in shifts
        ]
        ShiftCount.objects.bulk_create(parts, batch_size=4000)
        rows += len(parts)
    first = lines[0].machines.order_by("pk").first()
    print(f"  {machines} machines, {rows:,} shift rows, {rows // len(shifts):,} daily sums")
    return {"by": by, "machine": first}


def timed(run: Callable[[], Any], rounds: int = ROUNDS) -> tuple[float, float]:
    """Return p50 and p95 of a call in ms."""
    run()
    took = []
    for _ in range(rounds):
        start = time.perf_counter()
        run()
        took.append(1000 * (time.perf_counter() - start))
    took.sort()
    return took[len(took) // 2], took[int(len(took) * 0.95)]


def bare(client: Any, url: str) -> Callable[[], Any]:
    """Return a call that runs the page's own queries by a plain cursor and, for figures, writes their JSON."""
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(connection):
        seen: list[tuple[str, Any]] = []

        def note(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
            seen.append((sql, params))
            return execute(sql, params, many, context)

        with connection.execute_wrapper(note):
            answer = client.get(url)
    figures = json.loads(answer.content) if answer["Content-Type"] == "application/json" else None
    reads = [(sql, params) for sql, params in seen if sql.startswith("SELECT")]

    def run() -> None:
        with connection.cursor() as cursor:
            for sql, params in reads:
                cursor.execute(sql, params)
                cursor.fetchall()
        if figures is not None:
            json.dumps(figures)

    return run


def report(world: dict[str, Any]) -> None:
    """Ask for every page and print what it took."""
    from django.test import Client

    client = Client()
    client.force_login(world["by"])
    machine = world["machine"].pk
    domer = world["machine"].stations.get(kind="domer").pk
    pages = {
        "machine page, 12 months by week": f"/machines/{machine}/",
        "  its figures": f"/machines/{machine}/figures.json?span=12m&grain=week&station={domer}",
        "machine page, ten years": f"/machines/{machine}/?span=all&grain=week&station={domer}",
        "  its figures ": f"/machines/{machine}/figures.json?span=all&grain=week&station={domer}",
        "front page": "/",
    }
    print(f"  {'':36}{'page p50':>10}{'p95':>8}{'bare p50':>10}{'p95':>8}{'ratio p50':>11}   ms")
    for name, url in pages.items():
        answer = client.get(url)
        if answer.status_code != 200:
            raise SystemExit(f"{url} answered {answer.status_code}")
        page, plain = timed(lambda url=url: client.get(url)), timed(bare(client, url))
        ratio = page[0] / plain[0]
        print(f"  {name:36}{page[0]:10.1f}{page[1]:8.1f}{plain[0]:10.1f}{plain[1]:8.1f}{ratio:11.1f}")


def run(quick: bool) -> None:
    """Make the database, fill it, time the pages, drop it."""
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection
    from django.test.utils import get_runner  # noqa: F401 - proves the test tools are there before the long fill

    settings.ALLOWED_HOSTS.append("testserver")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    print(connection.vendor)
    name = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0, serialize=False)
    try:
        start = time.perf_counter()
        world = fill(quick)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
        print(f"  filled in {time.perf_counter() - start:.0f} s")
        report(world)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    run("--quick" in sys.argv)
