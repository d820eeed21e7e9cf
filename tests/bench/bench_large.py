"""Time the pages of evidence and the refit of all models: 120 machines, ten years, visits every six weeks.

    python -m tests.bench.bench_evidence [--quick]

Fills a scratch database (SQLite; that of DATABASE_URL where it names PostgreSQL, in a database of its own that is
dropped at the end) by bulk inserts, has the summaries worked out, stores one day more for every machine, has the
summaries and every registered model worked out as after that night's import, and asks for the pages. Prints the
refit's parts, and p50 and p95 of each page beside its bare SQL in the same run. Every figure here is invented.
"""

from __future__ import annotations

import datetime as dt
import json
import shutil
import sys
import time
from typing import Any

import numpy as np
import polars as pl

from tests.bench import bench_pages as base

EVERY = 42
CAUSES = {"WALL": 520.0, "DOME": 420.0, "SCRATCH": 640.0, "SETUP": 900.0, "TEAR": 0.0}
KINDS = ("redraw_sleeve", "cup_locator", "tool_pack", "stripper", "domer")


def shifts_of(machine: Any, shifts: list[Any], days: int, until: dt.date, rng: np.random.Generator) -> pl.DataFrame:
    """Return the shift rows of a machine, with causes."""
    n = days * len(shifts)
    begun = rng.normal(130_000, 9_000, n).clip(1_000).astype(np.int64)
    torn = rng.negative_binomial(20, 20 / (20 + begun * 40e-6))
    by_cause = {code: rng.poisson(begun * rate / 1e6) if rate else torn for code, rate in CAUSES.items()}
    spoiled = sum(by_cause.values()) + rng.poisson(5, n)
    first = np.datetime64(until, "D") - (days - 1)
    rows = zip(*(cans.tolist() for cans in by_cause.values()), strict=True)
    return pl.DataFrame(
        {
            "machine_id": np.full(n, machine.pk),
            "day": first + np.repeat(np.arange(days), len(shifts)),
            "shift_id": np.tile([shift.pk for shift in shifts], days),
            "cans": begun - spoiled,
            "spoiled": spoiled,
            "tear_offs": torn,
            "short_cans": np.zeros(n, dtype=np.int64),
            "jams": np.zeros(n, dtype=np.int64),
            "minutes_down": np.zeros(n),
            "by_cause": [json.dumps(dict(zip(CAUSES, row, strict=True))) for row in rows],
            "version": np.ones(n, dtype=np.int64),
        }
    )


def visits_of(machine: Any, by: Any, days: int, now: dt.datetime, rng: np.random.Generator) -> None:
    """Store signed visits, each with results as found and as left."""
    from linelog.alignment.models import Result, Visit
    from tests.trends.invented import result

    # Not all machines on one day: the last visit of one of them in forty-two lies on the day that the night adds.
    at = [now - dt.timedelta(days=day) for day in range(days - 20 - machine.pk % EVERY, -1, -EVERY)]
    signed = {"machine": machine, "opened_by": by, "signed_by": by, "state": "signed"}
    reasons = rng.choice(["routine", "routine", "routine", "tear_offs", "jam"], len(at))
    made = Visit.objects.bulk_create(
        Visit(opened_at=when, signed_at=when, reason=str(reason), **signed)
        for when, reason in zip(at, reasons, strict=True)
    )
    stations = [one for one in machine.stations.all() if one.kind in KINDS]
    rows = []
    for visit in made:
        for station in stations:
            for seat in station.seats:
                for stage, size in (("as_found", 0.5), ("as_left", 0.3)):
                    x, y = (rng.normal(0.0, size, 2) * station.limit_um).tolist()
                    rows.append(result(visit, station, stage, (x, y), seat=seat))
    Result.objects.bulk_create(rows, batch_size=2000)


def fill(quick: bool) -> dict[str, Any]:
    """Make the plant."""
    from django.db import transaction
    from django.utils import timezone

    from linelog.plant.models import Fitting, Shift, ToolingSet
    from linelog.production import bulk, sums
    from linelog.production.models import ShiftCount, SpoilageCause
    from linelog.web import protection
    from tests import factories

    now, rng = timezone.now(), np.random.default_rng(7)
    machines, days = (12, 730) if quick else (120, 3650)
    plant = factories.plant(name="Bench")
    by = factories.person("manager", plant)
    for code in CAUSES:
        SpoilageCause.objects.create(plant=plant, code=code, name=code.title())
    lines = [factories.line(plant, name=f"Line {number}") for number in range(max(1, machines // 10))]
    shifts, rows, made = list(Shift.objects.filter(plant=plant)), 0, []
    protection.take_out()
    for number in range(machines):
        with transaction.atomic():
            machine = factories.machine(lines[number % len(lines)], name=f"BM {number}")
            table = shifts_of(machine, shifts, days, now.date() - dt.timedelta(days=1), rng)
            rows += bulk.insert(ShiftCount._meta.db_table, table.columns, bulk.payload(table))
            sums.refresh(machine.pk, now.date() - dt.timedelta(days=days), now.date())
            visits_of(machine, by, days, now, rng)
            sets = [ToolingSet.objects.create(plant=plant, name=f"S{number}{letter}") for letter in "ABC"]
            for turn in range(0, days - 60, 120):
                at = now - dt.timedelta(days=days - turn)
                off = at + dt.timedelta(days=120)
                Fitting.objects.create(
                    tooling_set=sets[turn // 120 % 3], machine=machine, fitted_at=at, removed_at=off
                )
        made.append(machine)
    print(f"  {machines} machines, {rows:,} shift rows", flush=True)
    return {"by": by, "plant": plant, "machine": made[0]}


def night(plant: Any, day: dt.date) -> None:
    """Store one day more for every machine, and tell of it as an import does."""
    from django.utils import timezone

    from linelog.production import chunks, sums
    from linelog.production.models import ShiftCount

    rows = list(ShiftCount.objects.filter(machine__line__plant=plant, day=day - dt.timedelta(days=1)))
    for row in rows:
        row.pk, row.day, row.tear_offs = None, day, row.tear_offs + 1
    ShiftCount.objects.bulk_create(rows)
    machines = {row.machine_id for row in rows}
    for machine in machines:
        sums.refresh(machine, day, day)
    chunks.tell(plant.pk, machines, timezone.now(), first_day=day, more_to_come=True)


def refit_all(plant: Any) -> None:
    """Work out everything from nothing, once more, then as after an import of a night; print the parts."""
    from django.utils import timezone

    from linelog.trends import refit
    from linelog.trends.models import Piece, Stale, Stretch

    fits = dict(refit.REFITS)
    refit.REFITS.clear()
    refit.mark_all(plant, timezone.now())
    took, worked = _timed(lambda: refit.refresh(plant, timezone.now()))
    print(f"  adding up from nothing{'':25}{took:8.1f} s{worked:8.1f} s work", flush=True)
    refit.mark_all(plant, timezone.now())
    took, worked = _timed(lambda: refit.refresh(plant, timezone.now()))
    print(f"  adding up everything again{'':21}{took:8.1f} s{worked:8.1f} s work", flush=True)
    night(plant, timezone.now().date())
    parts = {"adding up": _timed(lambda: refit.refresh(plant, timezone.now()))}
    refit.REFITS.update(fits)
    for name, fit in fits.items():
        parts[name] = _timed(lambda fit=fit: fit(plant, timezone.now()))
    print(f"  {Stretch.objects.count():,} stretches, {Piece.objects.count():,} pieces, {Stale.objects.count()} stale")
    for name, (took, worked) in parts.items():
        print(f"  refit: {name:40}{took:8.1f} s{worked:8.1f} s work")
    took, worked = (sum(column) for column in zip(*parts.values(), strict=True))
    print(f"  refit: all{'':37}{took:8.1f} s{worked:8.1f} s work", flush=True)


def _timed(work: Any) -> tuple[float, float]:
    start, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - start, time.process_time() - cpu


def report(world: dict[str, Any]) -> None:
    """Ask for the pages and print what they took."""
    from django.test import Client

    client = Client()
    client.force_login(world["by"])
    own = f"/machines/{world['machine'].pk}/evidence/"
    print(f"  {'ms':44}{'page p50':>10}{'p95':>8}{'work':>8}{'bare p50':>10}{'p95':>8}{'work':>8}{'ratio':>8}")
    for url in (
        *(
            "/evidence/",
            "/evidence/?measure=spoiled&span=all",
            "/evidence/?station=domer&measure=cause:WALL&span=all",
        ),
        *("/evidence/figures.json", own, f"{own}?span=all", f"{own}figures.json"),
        *(
            "/evidence/before-after/",
            "/evidence/before-after/?span=all",
            "/evidence/before-after/figures.json?span=all",
        ),
        *kept_pages(world["machine"].pk),
    ):
        start = time.perf_counter()
        client.get(url)
        first = 1000 * (time.perf_counter() - start)
        page, plain = base.timed(lambda url=url: client.get(url), 40), base.timed(base.bare(client, [url], None), 40)
        numbers = "".join(f"{p50:10.1f}{p95:8.1f}{work:8.1f}" for p50, p95, work in (page, plain))
        print(f"  {url:44}{numbers}{page[0] / plain[0]:8.1f}   first {first:.0f}", flush=True)


def kept_pages(machine: int) -> list[str]:
    """Return the addresses of signals, ranking and repeat problems, those of one of each among them."""
    from linelog.trends.models import RepeatProblem, Signal

    signals = f"/machines/{machine}/signals"
    lists = ["/evidence/signals/", "/evidence/signals/?days=&state=", "/evidence/ranking/", "/evidence/ranking.json"]
    charts = [f"{signals}/", f"{signals}/?grain=shift&span=728", f"{signals}.json", f"{signals}.json?span=728"]
    ones = [f"/evidence/signals/{pk}/" for pk in Signal.objects.values_list("pk", flat=True)[:1]]
    for kind in RepeatProblem.Kind.values:
        rows = RepeatProblem.objects.filter(kind=kind).values_list("pk", flat=True)
        ones += [f"/evidence/repeats/{pk}/" for pk in rows[:1]]
    print(f"  {Signal.objects.count():,} signals, {RepeatProblem.objects.count():,} repeat problems")
    return [*lists, *charts, "/evidence/repeats/", *ones]


def main() -> None:
    """Make the database, fill it, work everything out, time the pages, drop it."""
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection

    settings.ALLOWED_HOSTS.append("testserver")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    print(connection.vendor)
    name = connection.settings_dict["NAME"]
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = f"{base.FOLDER}/bench.sqlite3"
    connection.creation.create_test_db(verbosity=0, serialize=False)
    try:
        start = time.perf_counter()
        world = fill("--quick" in sys.argv)
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
        print(f"  filled in {time.perf_counter() - start:.0f} s", flush=True)
        refit_all(world["plant"])
        report(world)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)
        shutil.rmtree(base.FOLDER)


if __name__ == "__main__":
    main()
