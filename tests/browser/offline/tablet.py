"""What a test does with a tablet, and what it waits for there."""

from __future__ import annotations

import contextlib
import time

from playwright.sync_api import Error, Page, expect

from linelog.alignment.models import Reading

BACK = 60_000  # ms; a tablet gives up an answer after 20 s, and tries again after 2, 4, 8 ... s
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


def open_one(page: Page, machine, live_server, **how: bool) -> None:
    """Open a visit by the machine's own address, as its label on the frame does."""
    page.goto(f"{live_server.url}/visits/open/{machine.pk}/")
    expect(page.get_by_role("heading", name="Open a visit without a network")).to_be_visible()
    fill_opening(page, **how)


def fill_opening(page: Page, *, locked_out: bool = True, runs: bool = False) -> None:
    """Open a visit with the form that is shown: the machine stopped and locked out, or not yet, or running."""
    form = page.locator("#open-form")
    form.locator("[name=reason]").select_option("tear_offs")
    form.get_by_label("Running" if runs else "Stopped", exact=True).check()
    if locked_out and not runs:
        form.get_by_label("Lockout verified by").fill("Ana Berg")
        form.get_by_label("It was tried to start").check()
    form.get_by_role("button", name="Open the visit").tap()
    expect(page.locator("#screen")).to_be_visible()


def verify(page: Page) -> None:
    """Verify the lockout in a visit that is open."""
    page.locator("#lockout").get_by_label("Lockout verified by").fill("Ana Berg")
    page.locator("#lockout").get_by_label("It was tried to start").check()
    page.get_by_role("button", name="It is locked out and verified").tap()


def go_to(page: Page, station: str) -> None:
    page.get_by_role("navigation", name="Stations").get_by_role("link", name=station, exact=True).tap()
    expect(page.get_by_role("heading", name=station, exact=True)).to_be_visible()
