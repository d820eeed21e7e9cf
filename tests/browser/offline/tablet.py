"""What a test does with a tablet, and what it waits for there."""

from __future__ import annotations

import contextlib
import time

from playwright.sync_api import Error, Page, expect

from linelog.alignment.models import Reading

BACK = 20_000  # ms; a tablet tries again after 2, 4, 8 ... s
FOUR = {0: "0", 90: "0.05", 180: "0.12", 270: "0.07"}


def wait_until(page: Page, what: str, script: str, *given: object, seconds: float = 60.0) -> None:
    """Wait until an asynchronous script gives true; what a page shows by itself is waited for by `expect`."""
    until = time.monotonic() + seconds
    is_so = False
    while not is_so:
        with contextlib.suppress(Error):  # a page that is just being replaced answers nothing
            is_so = page.evaluate(script, list(given))
        assert time.monotonic() < until, f"not so in {seconds:g} s: {what}"
        page.wait_for_timeout(50)


def wait_until_kept(page: Page, path: str) -> None:
    """Wait until the worker has the page and the last script of every entry screen."""
    script = "async (paths) => (await Promise.all(paths.map((path) => caches.match(path)))).every(Boolean)"
    wait_until(page, f"{path} is kept", script, path, "/static/alignment/unsent.js")


def all_is_sent(page: Page) -> None:
    """Wait until the server has taken all that the tablet kept."""
    script = "async () => (await linelog.store.all()).every((write) => write.state === 'sent')"
    wait_until(page, "all is sent", script)


def type_in(page: Page, angle: int, text: str) -> None:
    """Type into the field at an angle and leave it with Next, as the pad does."""
    field = page.locator(f".pos.at{angle} input[name=value]")
    field.tap()
    field.fill(text)
    page.locator('.pad [data-key="next"]').tap()


def bar(page: Page):
    return page.locator("#unsent")


def is_saved(page: Page) -> None:
    expect(bar(page)).to_contain_text("All saved", timeout=BACK)


def stored() -> dict[float, str]:
    return dict(Reading.objects.values_list("angle_deg", "typed"))
