"""Time every page, and the refit of all models after a night: 120 machines, ten years, visits every six weeks.

    python -m tests.bench.bench_large [--quick] [--folder FOLDER]

Fills a scratch database (SQLite; that of DATABASE_URL where it names PostgreSQL, in a database of its own that is
dropped at the end), has the summaries worked out, stores one day more for every machine, has the summaries and every
registered model worked out as after that night's import, then asks for the pages: every address of the project that
answers a manager's GET, and the widest choices of some. Prints the refit's parts, the searches of the plan, and p50
and p95 of each page beside its bare SQL in the same run. With a folder the filled SQLite file is kept there, and a
copy of it is used by the next run, for work on a page. Every figure here is invented.
"""

from __future__ import annotations

import argparse
import datetime as dt
import logging
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.bench import bench_pages as base
from tests.bench import large

ROUNDS = 40
GOAL_MS = 500.0
# What a page can be asked for at most.
WIDE = {
    "trends:machine": ["?span=all&grain=day"],
    "trends:figures": ["?span=all&grain=week"],
    "trends:evidence": ["?measure=spoiled&span=all", "?station=domer&measure=cause:WALL&span=all"],
    "trends:machine_evidence": ["?span=all"],
    "trends:before_after": ["?span=all"],
    "trends:before_after_figures": ["?span=all"],
    "trends:signals": ["?days=&state="],
    "trends:machine_signals": ["?grain=shift&span=728"],
    "trends:signal_figures": ["?span=728"],
    "trends:find": ["?q=17"],
    "planning:plan": ["?weeks=8"],
}


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
    """Work out everything from nothing, then as after an import of a night; print the parts."""
    from django.utils import timezone

    from linelog.trends import refit
    from linelog.trends.models import Piece, Stale, Stretch

    fits = dict(refit.REFITS)
    refit.REFITS.clear()
    refit.mark_all(plant, timezone.now())
    took, worked = _timed(lambda: refit.refresh(plant, timezone.now()))
    print(f"  adding up from nothing{'':25}{took:8.1f} s{worked:8.1f} s work", flush=True)
    for name, fit in fits.items():
        took, worked = _timed(lambda fit=fit: fit(plant, timezone.now()))
        print(f"  first fit: {name:36}{took:8.1f} s{worked:8.1f} s work", flush=True)
    night(plant, timezone.now().date())
    parts = {"adding up": _timed(lambda: refit.refresh(plant, timezone.now()))}
    refit.REFITS.update(fits)
    for name, fit in fits.items():
        parts[name] = _timed(lambda fit=fit: fit(plant, timezone.now()))
    print(f"  {Stretch.objects.count():,} stretches, {Piece.objects.count():,} pieces, {Stale.objects.count()} stale")
    for name, (took, worked) in parts.items():
        print(f"  refit: {name:40}{took:8.1f} s{worked:8.1f} s work")
    took, worked = (sum(column) for column in zip(*parts.values(), strict=True))
    print(f"  refit: all{'':37}{took:8.1f} s{worked:8.1f} s work (goal 30 s)", flush=True)


def _timed(work: Any) -> tuple[float, float]:
    start, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - start, time.process_time() - cpu


def searches(client: Any) -> None:
    """Time the search of a plan, and an entry that is moved, with a search anew."""
    from linelog.calc.plan import make_plan
    from linelog.planning import suggest
    from linelog.planning.models import PlannedVisit
    from linelog.production import weeks as calendar

    def seen(*args: Any, **more: Any) -> Any:
        begun = time.perf_counter()
        made = make_plan(*args, **more)
        best = "proven best" if made.is_best else "the best found by then"
        print(f"  search over {len(args[0])} machines: {time.perf_counter() - begun:.2f} s, {best}")
        return made

    suggest.make_plan = seen
    took, _ = _timed(lambda: client.get("/plan/?weeks=8"))
    print(f"  first plan page, with its search: {took:.2f} s")
    suggest.make_plan = make_plan
    entry = PlannedVisit.objects.filter(is_pinned=True).earliest("pk")
    weeks = calendar.coming(dt.datetime.now(dt.UTC).date(), 8)
    moved = []
    for number in range(6):
        entry.refresh_from_db()
        week = weeks[1 + number % 2].isoformat()
        data = {"week": week, "hours": "4", "version": entry.version, "pinned": "on"}
        url, head = f"/plan/entries/{entry.pk}/?weeks=8", {"HX-Request": "true"}
        moved.append(_timed(lambda url=url, data=data, head=head: client.post(url, data, headers=head))[0])
    print(f"  a pinned entry moved, with a search anew: {', '.join(f'{one:.2f}' for one in moved)} s", flush=True)


def addresses(world: Any) -> Iterator[str]:
    """Yield every address of the project once, the last signed visit, and the widest choices of some."""
    from django.urls import reverse

    from linelog.alignment.models import Visit
    from tests.test_access import EXPECTED

    yield reverse("alignment:visit", args=[Visit.objects.filter(machine=world.machine).latest("opened_at").pk])
    for name, row in EXPECTED.items():
        url = reverse(name, kwargs=row.parts(world) if row.parts else {})
        yield url
        yield from (f"{url}{choice}" for choice in WIDE.get(name, ()))


def with_one_of_everything(plant: Any) -> Any:
    """Return the plant with one of everything that an address can name, the large record's own where it has one."""
    from linelog.planning.models import PlannedVisit
    from linelog.plant.models import Fitting, Machine, Person
    from linelog.production.models import Finding, ShiftCount
    from linelog.trends.models import RepeatProblem, Signal
    from tests.world import World

    machine = Machine.objects.filter(line__plant=plant).earliest("pk")
    fitting = Fitting.objects.filter(machine=machine).latest("fitted_at")
    found = {
        "_people": {"manager": Person.objects.get(plant=plant, role="manager")},
        "count": ShiftCount.objects.filter(machine=machine).latest("day"),
        "finding": Finding.objects.filter(plant=plant).latest("made_on"),
        "signal": Signal.objects.filter(machine__line__plant=plant).first(),
        "repeat": RepeatProblem.objects.filter(machine__line__plant=plant).first(),
        "place": plant.finding_places.first(),
        "code": plant.defect_codes.first(),
        "planned": PlannedVisit.objects.filter(machine__line__plant=plant).first(),
    }
    kept = {name: one for name, one in found.items() if one is not None}
    return World(plant=plant, machine=machine, fitting=fitting, tooling_set=fitting.tooling_set, **kept)


def every_page(client: Any, world: Any) -> None:
    """Ask for every page and print what it took, the slowest last."""
    rows, silent, files = [], 0, []
    for url in list(addresses(world)):
        start = time.perf_counter()
        answer = client.get(url)
        first = 1000 * (time.perf_counter() - start)
        if answer.streaming:
            answer.close()
            files.append(url)
            continue
        if answer.status_code != 200:
            silent += 1
            continue
        page = base.timed(lambda url=url: client.get(url), ROUNDS)
        rows.append((url, first, page, base.timed(base.bare(client, [url], None), ROUNDS)))
    print(f"  {'ms':52}{'first':>8}{'page p50':>10}{'p95':>8}{'work':>8}{'bare p50':>10}{'p95':>8}{'ratio':>8}")
    for url, first, page, plain in sorted(rows, key=lambda row: row[2][1]):
        numbers = f"{first:8.0f}{page[0]:10.1f}{page[1]:8.1f}{page[2]:8.1f}{plain[0]:10.1f}{plain[1]:8.1f}"
        print(f"  {url[:52]:52}{numbers}{page[0] / max(plain[0], 0.001):8.1f}")
    slow = sum(page[1] > GOAL_MS for _, _, page, _ in rows)
    print(f"  {len(rows)} pages: {slow} with p95 over {GOAL_MS:.0f} ms; {silent} addresses take no GET or lead on")
    print(f"  sent as files while they are read, and not timed: {', '.join(files)}")


def filled_and_fitted(size: large.Size) -> Any:
    """Fill the database and work everything out; return the plant."""
    from django.db import connection

    start = time.perf_counter()
    plant = large.fill(size)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    print(f"  filled in {time.perf_counter() - start:.0f} s", flush=True)
    refit_all(plant)
    return plant


def pages(plant: Any) -> None:
    """Ask for everything as its manager."""
    from django.test import Client

    world = with_one_of_everything(plant)
    client = Client()
    client.force_login(world.person("manager"))
    searches(client)
    every_page(client, world)


def main() -> None:
    """Make the database, or a copy of the one that is kept; drop it at the end."""
    words = argparse.ArgumentParser()
    words.add_argument("--quick", action="store_true")
    words.add_argument("--folder", type=Path)
    asked = words.parse_args()
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection

    from linelog.plant.models import Plant
    from linelog.web.warm import warm

    warm()  # as the server does
    settings.ALLOWED_HOSTS.append("testserver")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    logging.getLogger("django.request").setLevel(logging.CRITICAL)  # addresses that take no GET say so
    print(connection.vendor)
    name, size = connection.settings_dict["NAME"], large.QUICK if asked.quick else large.FULL
    kept, scratch = asked.folder and asked.folder / "large.sqlite3", Path(base.FOLDER, "bench.sqlite3")
    filled = kept is not None and kept.exists()
    if filled:
        shutil.copy(kept, scratch)
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = str(scratch)
    connection.creation.create_test_db(verbosity=0, serialize=False, keepdb=filled)
    try:
        plant = filled_and_fitted(size) if not filled else Plant.objects.get(name="Bench")
        if kept and not filled:
            kept.parent.mkdir(parents=True, exist_ok=True)
            connection.cursor().execute("VACUUM INTO %s", [str(kept)])
        pages(plant)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)
        shutil.rmtree(base.FOLDER)


if __name__ == "__main__":
    main()
