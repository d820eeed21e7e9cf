"""What is typed is never overwritten by what was saved, however slow the tablet's store and the network are.

Model-based; the whole of 300 schedules is `python -m tests.bench.bench_typing`.
"""

from __future__ import annotations

import os
import time

from tests import factories
from tests.browser.offline.typing import TROUBLE, Schedule

SCHEDULES = range(*(int(part) for part in os.environ.get("LINELOG_TYPING", "0:5").split(":")))
STEPS = 12


def test_fields_show_what_was_typed_and_the_server_has_what_was_sent(page, enter, mechanic, machine, live_server):
    page.add_init_script(TROUBLE)
    enter(mechanic)
    wrong, started = [], time.monotonic()
    for seed in SCHEDULES:
        at = factories.machine(machine.line)
        visit = factories.visit(at, mechanic)
        page.goto(f"{live_server.url}/visits/{visit.pk}/stations/{at.stations.get(kind='domer').pk}/")
        schedule = Schedule(page, seed)
        found = schedule.run(STEPS) or schedule.missing(visit.pk)
        if found:
            wrong.append((seed, found))
            print(f"schedule {seed}: {found}", flush=True)
        if seed % 25 == 24:
            print(f"{seed - SCHEDULES[0] + 1} done", flush=True)
        page.evaluate(
            "async () => { for (const one of await linelog.store.all()) await linelog.store.remove(one.number); }"
        )
    print(f"{len(SCHEDULES)} schedules of {STEPS} steps in {time.monotonic() - started:.0f} s: {len(wrong)} wrong")
    assert wrong == []
