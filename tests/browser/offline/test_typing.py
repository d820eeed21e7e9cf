"""What is typed is never overwritten by what was saved, however slow the tablet's store and the network are.

Model-based; the whole of 300 schedules is `python -m tests.bench.bench_typing`.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

from playwright.sync_api import Page, expect

from linelog.alignment.models import Visit
from linelog.plant.models import Machine
from tests import factories
from tests.browser.offline.typing import TO, TROUBLE, AtBushing, Begun, Schedule

FIRST, END = (int(part) for part in os.environ.get("LINELOG_TYPING", "0:5").split(":"))
SCHEDULES, FEWER = range(FIRST, END), range(FIRST, FIRST + max(2, (END - FIRST) // 5))
STEPS = 12
CUT = {"store": 0, "network": 0, "lost": 0, "cut": True}


def walk(page: Page, machine: Machine, kind: type[Schedule], seeds: range, go: Callable[[Machine], None]) -> None:
    """Run schedules, each at a machine of its own to whose page `go` leads; fail where any found something else."""
    wrong, started = [], time.monotonic()
    for seed in seeds:
        at = factories.machine(machine.line)
        go(at)
        schedule = kind(page, seed)
        found = schedule.run(STEPS) or schedule.missing(Visit.objects.get(machine=at).pk)
        if found:
            wrong.append((seed, found))
            print(f"schedule {seed}: {found}", flush=True)
        if seed % 25 == 24:
            print(f"{seed - FIRST + 1} done", flush=True)
        page.evaluate(
            "async () => { for (const one of await linelog.store.all()) await linelog.store.remove(one.number); }"
        )
        page.evaluate(TO, CUT | {"cut": False})
    seconds = time.monotonic() - started
    print(f"{kind.__name__}: {len(seeds)} schedules of {STEPS} steps in {seconds:.0f} s: {len(wrong)} wrong")
    assert wrong == []


def test_fields_show_what_was_typed_and_the_server_has_what_was_sent(page, enter, mechanic, machine, live_server):
    page.add_init_script(TROUBLE)
    enter(mechanic)

    def go(at: Machine) -> None:
        visit = factories.visit(at, mechanic)
        page.goto(f"{live_server.url}/visits/{visit.pk}/stations/{at.stations.get(kind='domer').pk}/")

    walk(page, machine, Schedule, SCHEDULES, go)


def test_so_does_the_clearance_of_a_bushing(page, enter, mechanic, machine, live_server):
    page.add_init_script(TROUBLE)
    enter(mechanic)

    def go(at: Machine) -> None:
        visit = factories.visit(at, mechanic)
        page.goto(f"{live_server.url}/visits/{visit.pk}/stations/{at.stations.get(kind='front_bushing').pk}/")

    walk(page, machine, AtBushing, FEWER, go)


def test_and_a_visit_that_was_begun_without_a_connection(page, enter, mechanic, machine, live_server):
    page.add_init_script(TROUBLE)
    enter(mechanic)

    def go(at: Machine) -> None:
        page.goto(f"{live_server.url}/visits/new/?machine={at.pk}")
        page.evaluate(TO, CUT)
        page.locator("[name=reason]").select_option("tear_offs")
        page.get_by_label("Stopped", exact=True).check()
        page.get_by_label("Lockout verified by").first.fill("Ana Berg")
        page.get_by_label("It was tried to start").first.check()
        page.get_by_role("button", name="Open the visit").tap()
        page.get_by_role("navigation", name="Stations").get_by_role("link", name="Domer", exact=True).tap()
        expect(page.locator("#clock .pad")).to_be_visible()

    walk(page, machine, Begun, FEWER, go)
