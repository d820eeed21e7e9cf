"""Time the machine page and the front page against the bare SQL they need, in one run.

    python -m tests.bench.bench_pages [--quick]

Fills a scratch database (SQLite, and PostgreSQL: that of DATABASE_URL in a database of its own that is dropped at
the end, else a private one) with ten years of shifts for 120 machines, 1.3 million shift rows. Then asks for the
pages through the whole chain of middleware, and prints p50 and p95 beside the bare work: the same queries asked by a
plain cursor, and the figures made from what was read and written as JSON. Every figure here is invented.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.postgres import Absent, private_cluster

FOLDER = tempfile.mkdtemp(prefix="linelog-bench-")
os.environ.setdefault("LINELOG_SECRET_KEY", "only-for-the-bench-" + "x" * 40)
os.environ["LINELOG_DATA"] = FOLDER
Path(FOLDER, "static").mkdir()
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
    first = lines[0].machines.select_related("line__plant").order_by("pk").first()
    print(f"  {machines} machines, {rows:,} shift rows, {rows // len(shifts):,} daily sums")
    return {"by": by, "machine": first}


def timed(run: Callable[[], Any], rounds: int = ROUNDS) -> tuple[float, float, float]:
    """Return p50 and p95 of a call, and p50 of this process's own work in it (without the server's), in ms."""
    run()
    took, worked = [], []
    for _ in range(rounds):
        start, work = time.perf_counter(), time.process_time()
        run()
        took.append(1000 * (time.perf_counter() - start))
        worked.append(1000 * (time.process_time() - work))
    took.sort()
    return took[len(took) // 2], took[int(len(took) * 0.95)], sorted(worked)[len(worked) // 2]


def reads(client: Any, url: str) -> list[tuple[str, Any]]:
    """Return the queries that a page asks."""
    from django.db import connection

    seen: list[tuple[str, Any]] = []

    def note(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        seen.append((sql, params))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(note):
        answer = client.get(url)
    if answer.status_code != 200:
        raise SystemExit(f"{url} answered {answer.status_code}")
    return [(sql, params) for sql, params in seen if sql.startswith("SELECT")]


def bare(client: Any, urls: list[str], figures: Callable[[], Any] | None) -> Callable[[], Any]:
    """Return a call that asks the pages' queries by a plain cursor, and makes and writes the figures as JSON."""
    from django.db import connection

    asked = [query for url in urls for query in reads(client, url)]

    def run() -> None:
        with connection.cursor() as cursor:
            for sql, params in asked:
                cursor.execute(sql, params)
                cursor.fetchall()
        if figures is not None:
            json.dumps(figures())

    return run


def figures_of(machine: Any, span: str) -> Callable[[], Any]:
    """Return a call that makes a machine's figures from a trend that is read already."""
    from django.utils import timezone

    from linelog.calc.units import Unit
    from linelog.production.days import production_day
    from linelog.trends.choice import Choice, Grain, Span
    from linelog.trends.clock import clock_figure, clocks
    from linelog.trends.figures import time_figure
    from linelog.trends.trend import load

    stations = list(machine.stations.all())
    domer = [one.pk for one in stations if one.kind == "domer"]
    today = production_day(machine.line.plant, timezone.now())
    trend = load(machine, stations, Choice(Span(span), Grain.WEEK, tuple(domer), today))
    return lambda: [time_figure(trend, Unit.MM), *(clock_figure(one, trend, Unit.MM) for one in clocks(trend))]


def report(world: dict[str, Any]) -> None:
    """Ask for every page and print what it took."""
    from django.test import Client

    client = Client()
    client.force_login(world["by"])
    machine = world["machine"]
    domer = machine.stations.get(kind="domer").pk
    print(f"  {'ms':36}{'page p50':>10}{'p95':>8}{'work':>8}{'bare p50':>10}{'p95':>8}{'work':>8}{'ratio p50':>11}")

    def line(name: str, urls: list[str], figures: Callable[[], Any] | None) -> None:
        page = timed(lambda: [client.get(url) for url in urls])
        plain = timed(bare(client, urls, figures))
        numbers = "".join(f"{p50:10.1f}{p95:8.1f}{work:8.1f}" for p50, p95, work in (page, plain))
        print(f"  {name:36}{numbers}{page[0] / plain[0]:11.1f}")

    for span, word in (("12m", "12 months"), ("all", "ten years")):
        query = f"?span={span}&grain=week&station={domer}"
        page, data = f"/machines/{machine.pk}/{query}", f"/machines/{machine.pk}/figures.json{query}"
        line(f"machine page, {word}: page", [page], None)
        line(f"machine page, {word}: figures", [data], figures_of(machine, span))
        line(f"machine page, {word}: both", [page, data], figures_of(machine, span))
    line("front page", ["/"], None)


def run(quick: bool) -> None:
    """Make the database, fill it, time the pages, drop it."""
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection

    settings.ALLOWED_HOSTS.append("testserver")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    print(connection.vendor)
    name = connection.settings_dict["NAME"]
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = f"{FOLDER}/bench.sqlite3"  # a file, as in use, not memory
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
        shutil.rmtree(FOLDER)


def main() -> None:
    """Run on SQLite and on PostgreSQL, each in a process of its own: the settings are read once."""
    if "--here" in sys.argv:
        run("--quick" in sys.argv)
        return
    again = [sys.executable, "-m", "tests.bench.bench_pages", "--here", *sys.argv[1:]]
    subprocess.run(again, env={**os.environ, "DATABASE_URL": ""}, check=True)
    if os.environ.get("DATABASE_URL", "").startswith("postgres"):
        subprocess.run(again, check=True)
        return
    try:
        with private_cluster() as url:
            subprocess.run(again, env={**os.environ, "DATABASE_URL": url}, check=True)
    except Absent as absent:
        print(f"postgresql left out: {absent}")


if __name__ == "__main__":
    main()
