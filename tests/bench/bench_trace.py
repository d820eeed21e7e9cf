"""Time the pages of findings and the Pareto charts on ten years of 120 machines, against the bare SQL they ask.

    python -m tests.bench.bench_trace [--quick]

Fills a scratch database (SQLite, or that of DATABASE_URL in a database of its own that is dropped at the end) with
daily sums, visits, tooling changes and 20,000 findings. Every figure here is invented.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sys
import time
from typing import Any

from tests.bench.bench_pages import FOLDER, bare, timed

MACHINES, DAYS, FINDINGS, ROUNDS = 120, 3650, 20_000, 40


def fill(quick: bool) -> dict[str, Any]:
    """Make the plant: returns who asks, a machine and a finding."""
    import numpy as np
    from django.utils import timezone

    from linelog.plant.models import Fitting, ToolingSet
    from linelog.production.models import DayCount, Finding
    from tests import factories
    from tests.trends import invented

    machines, days, number = (12, 730, 2000) if quick else (MACHINES, DAYS, FINDINGS)
    now, random = timezone.now(), np.random.default_rng(1)
    today = now.date()
    plant = factories.plant(name="Bench")
    factories.finding_lists(plant)
    by = factories.person("quality", plant)
    line = factories.line(plant, name="Line 1")
    made = []
    for at in range(machines):
        machine = factories.machine(line, mark=str(at), name=f"BM {at}")
        machine.marks.update(starts_on=today - dt.timedelta(days=days))
        made.append(machine)
        DayCount.objects.bulk_create(invented.day_rows(machine, days, until=today, seed=at), batch_size=2000)
        sets = [ToolingSet.objects.create(plant=plant, name=f"Set {at}{letter}") for letter in "AB"]
        begins = [now - dt.timedelta(days=days - 65 * turn) for turn in range(days // 65)]
        ends = [*begins[1:], None]
        Fitting.objects.bulk_create(
            Fitting(tooling_set=sets[turn % 2], machine=machine, fitted_at=begin, removed_at=end)
            for turn, (begin, end) in enumerate(zip(begins, ends, strict=True))
        )
    invented.history(made[0], by, 100, until=now, every=30)
    codes, place = list(plant.defect_codes.all()), plant.finding_places.first()
    rows = []
    for _ in range(number):
        day = today - dt.timedelta(days=int(random.integers(0, days)))
        begins_at = dt.datetime.combine(day, dt.time(), tzinfo=dt.UTC)
        when = {"made_on": day, "made_from": begins_at, "made_to": begins_at + dt.timedelta(days=1), "found_on": day}
        what = {
            "place": place,
            "code": codes[random.integers(0, len(codes))],
            "mark": str(random.integers(0, machines)),
        }
        rows.append(Finding(plant=plant, quantity=2, made_by="found", by=by, at=now, **what, **when))
    Finding.objects.bulk_create(rows, batch_size=1000)
    one = Finding.objects.filter(mark="0").order_by("-made_on").first()
    print(f"  {machines} machines, {machines * days:,} daily sums, {number:,} findings")
    return {"by": by, "machine": made[0], "finding": one}


def report(world: dict[str, Any]) -> None:
    """Ask for every page and print what it took."""
    from django.test import Client

    client = Client()
    client.force_login(world["by"])
    machine, finding = world["machine"].pk, world["finding"].pk
    print(f"  {'ms':30}{'p50':>8}{'p95':>8}{'bare p50':>10}{'p95':>8}{'ratio':>8}")
    for name, url in (
        ("findings", "/findings/"),
        ("findings of a machine", f"/machines/{machine}/findings/"),
        ("one finding", f"/findings/{finding}/"),
        ("Pareto, half a year", "/evidence/pareto/"),
        ("Pareto, half a year: figures", "/evidence/pareto/figures.json"),
        ("search for a mark", "/find/?q=17"),
    ):
        page = timed(lambda url=url: client.get(url), ROUNDS)
        plain = timed(bare(client, [url], None), ROUNDS)
        print(f"  {name:30}{page[0]:8.1f}{page[1]:8.1f}{plain[0]:10.1f}{plain[1]:8.1f}{page[0] / plain[0]:8.1f}")


def main() -> None:
    """Make the database, fill it, time the pages, drop it."""
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection

    settings.ALLOWED_HOSTS.append("testserver")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    name = connection.settings_dict["NAME"]
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = f"{FOLDER}/bench.sqlite3"
    connection.creation.create_test_db(verbosity=0, serialize=False)
    try:
        start = time.perf_counter()
        world = fill("--quick" in sys.argv)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
        print(f"{connection.vendor}, filled in {time.perf_counter() - start:.0f} s")
        report(world)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)
        shutil.rmtree(FOLDER)


if __name__ == "__main__":
    main()
