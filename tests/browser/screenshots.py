"""Take the README's pictures of the demonstration plant: python -m tests.browser.screenshots [FOLDER].

Starts the program as the README's run command does, on a data folder of its own, and uses it as its people would.
"""

from __future__ import annotations

import io
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import time
import tomllib
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.chromium import CHROMIUM, FLAGS

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "fixtures" / "screenshots"
PASSWORD = tomllib.loads((ROOT / "fixtures" / "scenario.toml").read_text())["password"]
LANDSCAPE, UPRIGHT = {"width": 1280, "height": 800}, {"width": 800, "height": 1280}


def free_port() -> int:
    """Return a port that nothing listens on."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def wait_for(url: str, seconds: float = 180.0) -> None:
    """Wait until the program answers."""
    until = time.monotonic() + seconds
    while True:
        try:
            urllib.request.urlopen(url, timeout=5).close()
            return
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.5)


def keep(page: Page, folder: Path, name: str) -> None:
    """Store what the tablet shows, in few colours so that the file stays small."""
    page.wait_for_load_state("networkidle")
    page.wait_for_timeout(600)
    picture = Image.open(io.BytesIO(page.screenshot())).convert("P", palette=Image.Palette.ADAPTIVE, colors=128)
    picture.save(folder / f"{name}.png", optimize=True)
    print(f"{name}.png")


def tablet(browser: Browser, base: str, who: str, size: dict[str, int]) -> Page:
    """Sign somebody in on a fresh tablet."""
    page = browser.new_context(viewport=size, has_touch=True, locale="en-GB").new_page()
    page.goto(f"{base}/sign-in/")
    page.locator("input[name=username]").fill(who)
    page.locator("input[name=password]").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_load_state()
    return page


def type_sweep(page: Page, readings: list[str]) -> None:
    """Type readings round the clock with the page's own pad."""
    page.locator(".pos.at0 input[name=value]").tap()
    for number in readings:
        for key in number:
            page.locator(f'.pad [data-key="{key}"]').tap()
        with page.expect_response(re.compile("/reading/")):
            page.locator('.pad [data-key="next"]').tap()


def take(browser: Browser, base: str, folder: Path) -> None:
    """Go through the program as mechanic, manager and quality lead."""
    mechanic = tablet(browser, base, "mechanic", LANDSCAPE)
    keep(mechanic, folder, "machines")
    mechanic.locator("main").get_by_role("link", name="BM 14").first.click()
    mechanic.get_by_role("link", name="Open a visit").first.wait_for()
    machine = mechanic.url
    mechanic.get_by_role("link", name="Open a visit").first.click()
    mechanic.get_by_label("Reason", exact=True).select_option("routine")
    mechanic.get_by_label("Stopped", exact=True).check()
    mechanic.get_by_label("Lockout verified by").fill("Ilse Varnholt")
    mechanic.get_by_label("It was tried to start").check()
    mechanic.get_by_role("button", name="Open the visit").click()
    mechanic.get_by_role("link", name="Domer").click()
    type_sweep(mechanic, ["0", "0.030", "0.075", "0.108", "0.110", "0.080", "0.035", "0.002"])
    keep(mechanic, folder, "entry")
    mechanic.set_viewport_size(UPRIGHT)
    keep(mechanic, folder, "entry-upright")

    manager = tablet(browser, base, "manager", LANDSCAPE)
    keep(manager, folder, "fleet")
    manager.goto(machine)
    manager.set_viewport_size({"width": 1280, "height": 1500})
    keep(manager, folder, "trend")

    quality = tablet(browser, base, "quality", LANDSCAPE)
    quality.goto(f"{base}/counts/")
    keep(quality, folder, "counts")


@contextmanager
def demonstration() -> Iterator[str]:
    """Start the program with its demonstration on a data folder of its own; stop it at the end."""
    port = free_port()
    with tempfile.TemporaryDirectory(prefix="llshots-") as data:
        environment = {**os.environ, "LINELOG_DATA": data, "PORT": str(port), "LINELOG_LOG_LEVEL": "ERROR"}
        serve = [sys.executable, "manage.py", "serve"]
        program = subprocess.Popen(serve, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL)
        try:
            wait_for(f"http://127.0.0.1:{port}/sign-in/")
            yield f"http://127.0.0.1:{port}"
        finally:
            program.send_signal(signal.SIGINT)
            program.wait(30)


def main() -> None:
    """Take the pictures."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    with demonstration() as base, sync_playwright() as playwright:
        browser: Browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        take(browser, base, folder)
        browser.close()


if __name__ == "__main__":
    main()
