"""Time the plan of 120 machines over eight weeks: the first page with its search, and the pages after it.

    python -m tests.bench.bench_plan [--quick]

Fills a scratch SQLite file with ten years of daily sums and visits for 120 machines in 12 lines, stops in each week
and some entries, then asks for the pages through the whole chain of middleware. Every figure here is invented.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sys
import time
from typing import Any

from tests.bench.bench_pages import FOLDER, timed

ROUNDS = 40


def fill(quick: bool) -> dict[str, Any]:
    """Make the plant with its stops; returns the manager, a machine and an entry that is moved to and fro."""
    from django.utils import timezone

    from linelog.planning import weeks as calendar
    from linelog.planning.models import StopWindow
    from linelog.planning.services import entries
    from tests import factories
    from tests.trends import invented

    now = timezone.now()
    machines, days = (24, 365) if quick else (120, 3650)
    plant = factories.plant(name="Bench", crew_hours_per_week=60.0)
    by = factories.person("manager", plant)
    lines = [factories.line(plant, name=f"Line {number}") for number in range(max(1, machines // 10))]
    made = []
    for number in range(machines):
        machine = factories.machine(lines[number % len(lines)], name=f"BM {number}")
        invented.history(machine, by, days // 45, until=now - dt.timedelta(days=number % 60), every=45, seed=number)
        sums = invented.day_rows(machine, days, until=now.date(), seed=number)
        machine.day_counts.bulk_create(sums, batch_size=2000)
        made.append(machine)
    weeks = calendar.coming(now.date(), 8)
    for number, week in enumerate(weeks[1:]):
        for shift, line in enumerate(lines):
            starts = calendar.begins(plant, week + dt.timedelta(days=(number + shift) % 5, hours=6))
            ends = starts + dt.timedelta(hours=18)  # as long as a visit that opens every station
            StopWindow.objects.create(plant=plant, line=line, starts_at=starts, ends_at=ends)
    planned = [
        entries.put(by=by, at=now, machine=one, week=weeks[1 + n % 7], hours=4.0, reason="Due.", pinned=n % 3 == 0)
        for n, one in enumerate(made[:20])
    ]
    print(f"  {machines} machines, {days * machines:,} daily sums, {7 * len(lines)} stops")
    return {"by": by, "machine": made[0], "entry": planned[0], "weeks": weeks}


def report(world: dict[str, Any]) -> None:
    """Ask for every page and print what it took."""
    from django.core.cache import cache
    from django.test import Client
    from django.utils import timezone

    from linelog.calc.plan import make_plan
    from linelog.planning import suggest as suggesting
    from linelog.trends.due.store import refit_drifts

    client, machine, entry = Client(), world["machine"], world["entry"]
    client.force_login(world["by"])
    start = time.perf_counter()
    refit_drifts(machine.line.plant, timezone.now())
    print(f"  drift of all machines, as after a night's import: {time.perf_counter() - start:.1f} s")

    def seen(*args: Any, **more: Any) -> Any:
        begun = time.perf_counter()
        plan = make_plan(*args, **more)
        took, size = time.perf_counter() - begun, len(args[0])
        best = "proven best" if plan.is_best else "the best found by then"
        print(f"  search over {size} machines: {took:.2f} s, {best}, avoids {plan.avoided:,.0f}")
        return plan

    suggesting.make_plan = seen
    start = time.perf_counter()
    client.get("/plan/?weeks=8")
    print(f"  first plan page, with its search: {time.perf_counter() - start:.2f} s")
    suggesting.make_plan = make_plan
    pages = {"plan, 8 weeks": "/plan/?weeks=8", "front page": "/"}
    pages |= {"next visit": f"/plan/machines/{machine.pk}/"}
    pages |= {"its figure": f"/plan/machines/{machine.pk}/figures.json"}
    pages |= {"its sheet (PDF)": f"/plan/machines/{machine.pk}/sheet.pdf"}
    for name, url in pages.items():
        p50, p95, work = timed(lambda url=url: client.get(url), ROUNDS)
        print(f"  {name:20} p50 {p50:7.1f} ms   p95 {p95:7.1f} ms   work {work:7.1f} ms")
    cache.clear()
    took = []
    for number in range(6):
        entry.refresh_from_db()
        week = world["weeks"][1 + number % 2].isoformat()
        data = {"week": week, "hours": "4", "version": entry.version, "pinned": "on"}
        start = time.perf_counter()
        client.post(f"/plan/entries/{entry.pk}/?weeks=8", data, headers={"HX-Request": "true"})
        took.append(time.perf_counter() - start)
    print(f"  a pinned entry moved, with a search anew: {', '.join(f'{one:.2f}' for one in took)} s")


def main() -> None:
    """Make the database, fill it, time the pages, drop it."""
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection

    settings.ALLOWED_HOSTS.append("testserver")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    name = connection.settings_dict["NAME"]
    connection.settings_dict["TEST"]["NAME"] = f"{FOLDER}/bench.sqlite3"
    connection.creation.create_test_db(verbosity=0, serialize=False)
    try:
        world = fill("--quick" in sys.argv)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
        report(world)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)
        shutil.rmtree(FOLDER)


if __name__ == "__main__":
    main()
