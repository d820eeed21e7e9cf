"""A visit is ready for work without a network soon after it was opened, and says so."""

from __future__ import annotations

import time

from playwright.sync_api import expect

from linelog.alignment.place import offline_urls
from linelog.alignment.queries import stations_of
from tests.browser.offline.tablet import BACK

SIGN = "#offline-ready"


def test_the_sign_comes_once_every_page_of_the_visit_is_kept_and_all_of_them_open(
    page, context, enter, mechanic, visit, live_server
):
    enter(mechanic)
    page.goto(f"{live_server.url}/")  # the worker is there from the day before
    page.evaluate("async () => { await navigator.serviceWorker.ready; }")
    started = time.monotonic()
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    expect(page.locator(SIGN)).to_have_text("✓ Ready to work offline", timeout=BACK)
    urls = offline_urls(visit, stations_of(visit.machine))
    print(f"ready {time.monotonic() - started:.2f} s after the visit was asked for: {len(urls)} pages")
    context.set_offline(True)
    for url in urls:
        page.goto(live_server.url + url)
        expect(page.locator(SIGN)).to_have_text("✓ Ready to work offline")
        expect(page.locator("main")).to_contain_text(str(visit.machine))
    page.goto(f"{live_server.url}{urls[-1]}&repeat=1")
    expect(page.locator("#screen")).to_be_visible()


def test_it_is_not_said_while_a_page_is_missing(page, context, enter, mechanic, visit, domer, live_server):
    context.route("**/*kind=face*", lambda route: route.abort())
    enter(mechanic)
    page.goto(live_server.url + domer)
    expect(page.locator(SIGN)).to_contain_text("Being made ready to work offline", timeout=BACK)
    page.wait_for_load_state("networkidle")
    expect(page.locator(SIGN)).not_to_contain_text("Ready to work offline ")
    expect(page.locator(SIGN)).to_have_attribute("data-ready", "false")
