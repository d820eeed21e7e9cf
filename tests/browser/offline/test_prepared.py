"""A signing is prepared without a network and completed by its signer, who sees then what is signed."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from linelog.alignment.models import Visit
from tests import factories
from tests.browser.offline.tablet import BACK, bar, wait_until_kept
from tests.trends import invented


@pytest.fixture
def measured(visit):
    domer = visit.machine.stations.get(kind="domer")
    invented.store([invented.result(visit, domer, stage, (1.0, 1.0)) for stage in ("as_found", "as_left")])
    return visit


def prepare(page, context, visit, live_server):
    wait_until_kept(page, f"/visits/{visit.pk}/")
    context.set_offline(True)
    page.locator("#id_note").fill("looks worn")
    page.get_by_role("button", name="Save the note").tap()
    expect(bar(page)).to_contain_text("1 not on the server yet")
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    page.get_by_role("link", name="Sign and close").tap()
    expect(bar(page)).to_contain_text("signing: prepared.")


def test_it_is_completed_by_its_signer_once_all_is_on_the_server(entry, context, measured, live_server):
    prepare(entry, context, measured, live_server)
    expect(bar(entry).get_by_role("link", name="Look and sign")).to_have_count(0)
    kept = entry.evaluate("async () => (await linelog.store.all()).find((one) => one.kind === 'sign')")
    assert (kept["body"], kept["fields"], kept["files"]) == ("", [], []), "no proof of who signs is kept"
    context.set_offline(False)
    look = bar(entry).get_by_role("link", name="Look and sign")
    expect(look).to_be_visible(timeout=BACK)
    assert Visit.objects.get().is_open, "nothing is signed by itself"
    look.tap()
    expect(entry.get_by_role("heading", name="Sign this visit?")).to_be_visible()
    entry.get_by_role("button", name="Sign and close").tap()
    expect(entry.get_by_text(re.compile("Signed by"))).to_be_visible()
    expect(bar(entry)).not_to_contain_text("signing")
    assert Visit.objects.get().station_notes.get(station__kind="domer").note == "looks worn"
    entry.reload()
    expect(bar(entry)).to_be_hidden()


def test_it_can_be_withdrawn_and_is_nobody_elses(entry, context, measured, machine, enter, live_server):
    prepare(entry, context, measured, live_server)
    context.set_offline(False)
    expect(bar(entry).get_by_role("link", name="Look and sign")).to_be_visible(timeout=BACK)
    enter(factories.person("mechanic", machine.line.plant))
    entry.goto(f"{live_server.url}/visits/")
    entry.wait_for_load_state("networkidle")
    expect(bar(entry)).to_be_hidden()
    enter(measured.opened_by)
    entry.goto(f"{live_server.url}/visits/")
    expect(bar(entry)).to_contain_text("all of it is on the server")
    bar(entry).get_by_role("button", name="Withdraw").tap()
    expect(bar(entry)).to_be_hidden()


def test_with_a_network_the_page_that_asks_opens_at_once(entry, measured, live_server):
    entry.goto(f"{live_server.url}/visits/{measured.pk}/")
    entry.get_by_role("link", name="Sign and close").tap()
    expect(entry.get_by_role("heading", name="Sign this visit?")).to_be_visible()
    expect(bar(entry)).to_be_hidden()
