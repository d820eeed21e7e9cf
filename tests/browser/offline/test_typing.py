"""What is typed is never overwritten by what was saved, however slow the tablet's store and the network are.

Model-based; the whole of 300 schedules is `python -m tests.bench.bench_typing`.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from linelog.alignment.models import Visit
from linelog.plant.models import Machine
from tests import factories
from tests.browser.offline.tablet import fill_opening, go_to
from tests.browser.offline.typing import TO, TROUBLE, AtBushing, Begun, Schedule

FIRST, END = (int(part) for part in os.environ.get("LINELOG_TYPING", "0:5").split(":"))
SCHEDULES, FEWER = range(FIRST, END), range(FIRST, FIRST + max(2, (END - FIRST) // 5))
STEPS = 12
CUT = {"store": 0, "network": 0, "lost": 0, "cut": True}


@pytest.fixture
def troubled(page: Page, enter, mechanic) -> Page:
    """A mechanic's page whose store and network can be held up and cut."""
    page.add_init_script(TROUBLE)
    enter(mechanic)
    return page


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


@pytest.mark.parametrize(
    ("kind", "station", "seeds"), [(Schedule, "domer", SCHEDULES), (AtBushing, "front_bushing", FEWER)]
)
def test_fields_show_what_was_typed_and_the_server_has_what_was_sent(
    troubled, mechanic, machine, live_server, kind, station, seeds
):
    def go(at: Machine) -> None:
        visit = factories.visit(at, mechanic)
        troubled.goto(f"{live_server.url}/visits/{visit.pk}/stations/{at.stations.get(kind=station).pk}/")

    walk(troubled, machine, kind, seeds, go)


def test_so_they_do_in_a_visit_that_was_begun_without_a_connection(troubled, machine, live_server):
    def go(at: Machine) -> None:
        troubled.goto(f"{live_server.url}/visits/new/?machine={at.pk}")
        troubled.evaluate(TO, CUT)
        fill_opening(troubled)
        go_to(troubled, "Domer")
        expect(troubled.locator("#clock .pad")).to_be_visible()

    walk(troubled, machine, Begun, FEWER, go)
