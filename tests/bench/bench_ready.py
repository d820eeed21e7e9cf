"""How soon after a visit is opened its tablet is ready to work offline, in Chromium against the real program.

    python -m tests.bench.bench_ready [--runs 20]

From the press of "Open the visit" to the sign "Ready to work offline", each time at another machine: on a tablet that
has been here before, and on one that sees the logbook for the first time and must fetch its files as well. Prints
median, worst and the machine's load, where the time goes, and the processor time of server and browser, which on a
busy machine is what tells: the cores must give it before the sign can come.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from tests.postgres import children

GOAL_S = 3.0
SIGN = "() => document.getElementById('offline-ready')?.dataset.ready === 'true'"
# When the sign came, and what the page was doing until then, in ms since the visit's page was asked for.
PARTS = """() => {
  const page = performance.getEntriesByType("navigation")[0], now = performance.now();
  const kept = performance.getEntriesByType("resource").filter((one) => one.initiatorType === "fetch");
  const first = Math.min(...kept.map((one) => one.startTime)), each = kept.map((one) => one.duration);
  return { answered: page.responseEnd, loaded: page.domContentLoadedEventEnd, first, now, pages: kept.length,
    slowest: Math.max(...each) };
}"""


def prepare(machines: int) -> None:
    """Make a mechanic and so many machines; print the session and the machines. Runs in the program's own shell."""
    from tests import factories
    from tests.durability.prepare import a_session

    line = factories.line()
    who = factories.person("mechanic", line.plant, username="mechanic")
    rows = [factories.machine(line).pk for _ in range(machines)]
    sys.stdout.write(json.dumps({"session": a_session(who), "machines": rows}) + "\n")


def open_visit(page: Any) -> tuple[float, dict[str, float]]:
    """Open a visit as a mechanic does; return the seconds from the press until the sign, and what they went into."""
    page.locator("[name=reason]").select_option("tear_offs")
    page.get_by_label("Stopped", exact=True).check()
    page.get_by_label("Lockout verified by").fill("A. Mechanic")
    page.get_by_label("It was tried to start").check()
    began = time.monotonic()
    page.get_by_role("button", name="Open the visit").click()
    page.wait_for_function(SIGN, polling=20, timeout=60_000)
    took = time.monotonic() - began
    return took, page.evaluate(PARTS)


def spent(pid: int) -> float:
    """Return the processor seconds of a process and all that it has started and that still runs."""
    try:
        used = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        own = (int(used[11]) + int(used[12])) / os.sysconf("SC_CLK_TCK")
        return own + sum(spent(child) for child in children(pid))
    except (FileNotFoundError, ProcessLookupError):
        return 0.0


def measure(browser: Any, program: Any, ready: dict[str, Any], *, is_new: bool, machines: list[int]) -> None:
    """Print how long it took on one kind of tablet."""
    url, server = f"http://127.0.0.1:{program.port}", program.server.pid
    took, parts, worked = [], [], []
    with ExitStack() as tablets:
        page: Any = None
        for machine in machines:
            if page is None or is_new:
                tablet = browser.new_context(viewport={"width": 1280, "height": 800})
                tablets.callback(tablet.close)
                tablet.add_cookies([{"name": "sessionid", "value": ready["session"], "url": url}])
                page = tablet.new_page()
            if not is_new:
                page.goto(f"{url}/", wait_until="networkidle")
            page.goto(f"{url}/visits/open/{machine}/", wait_until="networkidle")
            before = spent(server), spent(os.getpid())
            seconds, of_page = open_visit(page)
            after = spent(server), spent(os.getpid())
            took.append(seconds)
            parts.append(of_page)
            worked.append((after[0] - before[0], after[1] - before[1] - (after[0] - before[0])))
    middle = {name: statistics.median(one[name] for one in parts) for name in parts[0]}
    print(
        f"{'first time on this tablet' if is_new else 'tablet that was here before'}, {len(took)} visits: median "
        f"{statistics.median(took):.2f} s, worst {max(took):.2f} s, {sum(one > GOAL_S for one in took)} over "
        f"{GOAL_S:.0f} s (goal {GOAL_S:.0f} s); load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )
    print(
        f"  median, ms since the visit's page was asked for: answered {middle['answered']:.0f}, its scripts run "
        f"{middle['loaded']:.0f}, first page fetched to be kept {middle['first']:.0f}, all kept {middle['now']:.0f} "
        f"({middle['pages']:.0f} fetched, slowest {middle['slowest']:.0f}); processor a visit: server "
        f"{statistics.median(one for one, _ in worked):.2f} s, "
        f"browser {statistics.median(one for _, one in worked):.2f} s",
        flush=True,
    )


def main() -> None:
    """Start the program and a browser, and print both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    runs = parser.parse_args().runs
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from playwright.sync_api import sync_playwright

    from tests.browser.chromium import CHROMIUM, FLAGS
    from tests.durability.program import scratch

    with scratch() as program, sync_playwright() as play:
        program.manage("migrate", "-v0")
        words = f"from tests.bench.bench_ready import prepare; prepare({2 * runs})"
        ready = json.loads(program.manage("shell", "-v0", "-c", words))
        program.start()
        browser = play.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        for is_new, machines in ((False, ready["machines"][:runs]), (True, ready["machines"][runs:])):
            measure(browser, program, ready, is_new=is_new, machines=machines)
        browser.close()


if __name__ == "__main__":
    main()
