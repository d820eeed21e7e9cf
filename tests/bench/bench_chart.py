"""How soon a page's first chart stands on a slow tablet that has never been here: words, then chart.

    python -m tests.bench.bench_chart [--runs 7] [--slow 4] [--at ADDRESS]

Chromium with its processor slowed (four times, as DevTools reckons a mid-range tablet) and an empty cache each time,
against the demonstration that this starts on a data folder of its own, or that at ADDRESS. From the address typed
until the page's words are painted (first contentful paint), and until its first chart is. Prints median and worst.
"""

from __future__ import annotations

import argparse
import os
import statistics
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, sync_playwright

from tests.browser.chromium import CHROMIUM, FLAGS
from tests.browser.screenshots import demonstration, tablet

GOAL_S = 2.0
PAGES = ("/machines/4/", "/evidence/ranking/", "/evidence/", "/evidence/pareto/", "/machines/4/wall/")
#: Keeps the moment when the first chart was painted: two frames after it stands in the page.
WATCH = """() => {
  const look = new MutationObserver(() => {
    if (!document.querySelector("[data-figure] svg .xtick, [data-figure] svg .ytick")) return;
    look.disconnect();
    requestAnimationFrame(() => requestAnimationFrame(() => { window.firstChart = performance.now(); }));
  });
  look.observe(document, { childList: true, subtree: true });
}"""
WORDS = "() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN"


def once(browser: Browser, state: Any, address: str, slow: float) -> tuple[float, float]:
    """Open a page as a tablet does that has nothing of it; return the seconds to its words and its first chart."""
    size: Any = {"width": 1280, "height": 800}
    context = browser.new_context(viewport=size, has_touch=True, storage_state=state, service_workers="block")
    page = context.new_page()
    page.add_init_script(f"({WATCH})()")
    tools = context.new_cdp_session(page)
    tools.send("Network.setCacheDisabled", {"cacheDisabled": True})
    tools.send("Emulation.setCPUThrottlingRate", {"rate": slow})
    page.goto(address, wait_until="commit", timeout=120_000)
    page.wait_for_function("() => window.firstChart", polling=50, timeout=120_000)
    found = page.evaluate(WORDS) / 1000.0, page.evaluate("() => window.firstChart") / 1000.0
    context.close()
    return found


def measure(base: str, runs: int, slow: float) -> None:
    """Print the figures of every page."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        signed_in = tablet(browser, base, "manager", {"width": 1280, "height": 800})
        state = signed_in.context.storage_state()
        for path in PAGES:
            once(browser, state, base + path, 1.0)  # the server's own first time is not the tablet's
            took = [once(browser, state, base + path, slow) for _ in range(runs)]
            words, chart = ([one[part] for one in took] for part in (0, 1))
            print(
                f"{path:22} words median {statistics.median(words):.2f} s, worst {max(words):.2f} s; first chart "
                f"median {statistics.median(chart):.2f} s, worst {max(chart):.2f} s (goal {GOAL_S:.0f} s); "
                f"load {os.getloadavg()[0]:.1f}",
                flush=True,
            )
        browser.close()


def main() -> None:
    """Measure at the address given, or at a demonstration of its own."""
    asked = argparse.ArgumentParser(description="First chart on a slow tablet")
    asked.add_argument("--runs", type=int, default=7)
    asked.add_argument("--slow", type=float, default=4.0)
    asked.add_argument("--at", default="")
    given = asked.parse_args()
    if not Path(CHROMIUM).exists():
        print("left out: no Chromium here (Debian: apt-get install chromium)")
    elif given.at:
        measure(given.at, given.runs, given.slow)
    else:
        with demonstration() as base:
            measure(base, given.runs, given.slow)


if __name__ == "__main__":
    main()
