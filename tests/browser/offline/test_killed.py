"""The browser is killed while something typed is on the tablet alone."""

from __future__ import annotations

import contextlib
import os
import signal
from pathlib import Path

from playwright.sync_api import BrowserContext, expect

from linelog.alignment.models import Reading
from tests import factories
from tests.browser.chromium import CHROMIUM, FLAGS
from tests.browser.offline.tablet import BACK, bar, stored, type_in, wait_until_kept


def launch(playwright, folder: Path) -> BrowserContext:
    return playwright.chromium.launch_persistent_context(
        str(folder), executable_path=CHROMIUM, args=list(FLAGS), has_touch=True, locale="en-GB"
    )


def kill(folder: Path) -> None:
    """Kill every process of the browser that works in this folder, as a flat battery would."""
    own = f"--user-data-dir={folder}".encode()
    for process in Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError):
            if own in (process / "cmdline").read_bytes().split(b"\0"):
                os.kill(int(process.name), signal.SIGKILL)


def test_the_browser_is_killed_and_opened_again_without_a_network(playwright, tmp_path, live_server, mechanic, domer):
    context = launch(playwright, tmp_path)
    page = context.new_page()
    page.goto(f"{live_server.url}/sign-in/")
    page.locator("input[name=username]").fill(mechanic.username)
    page.locator("input[name=password]").fill(factories.PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_load_state()
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    context.close()  # the day before: a browser writes its cookies and its list of stores down within half a minute

    context = launch(playwright, tmp_path)
    page = context.new_page()
    context.set_offline(True)
    page.goto(live_server.url + domer)
    type_in(page, 90, "0.05")
    expect(page.locator(".pos.at90 .unsent")).to_be_visible()
    kill(tmp_path)
    with contextlib.suppress(Exception):
        context.close()

    context = launch(playwright, tmp_path)
    context.set_offline(True)
    page = context.new_page()
    page.goto(f"{live_server.url}/machines/1/")
    expect(page.get_by_role("heading", name="No connection")).to_be_visible()
    expect(bar(page)).to_contain_text("1 of Ana Berg not on the server yet")
    page.locator("#kept").get_by_role("link", name="Domer").click()
    expect(page.locator(".pos.at90 input[name=value]")).to_have_value("0.05")
    assert stored() == {}
    context.set_offline(False)
    expect(page.locator(".pos.at90 .tick")).to_be_visible(timeout=BACK)
    assert stored() == {90.0: "0.05"}
    assert Reading.objects.get().by == mechanic
    context.close()
