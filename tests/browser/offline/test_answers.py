"""Answers that get lost, servers that break, and two versions of one thing."""

from __future__ import annotations

import contextlib
import re

from axe_playwright_python.sync_playwright import Axe
from django.contrib.staticfiles.storage import staticfiles_storage
from playwright.sync_api import Error, expect

from linelog.alignment.models import Reading, StationNote
from linelog.web.models import AuditEvent, WriteKey
from tests import factories
from tests.browser.offline.tablet import BACK, FOUR, bar, is_saved, stored, type_in, wait_until, wait_until_kept


def test_an_answer_lost_on_its_way_is_asked_for_again_and_stored_once(entry, context):
    lost = []

    def lose(route) -> None:
        route.fetch()  # the server has it; the tablet never hears
        lost.append(route.request.headers["x-write-key"])
        route.abort()

    context.route(re.compile("/reading/"), lose)
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("1 not on the server yet: no connection", timeout=BACK)
    assert stored() == {90.0: "0.05"}
    context.unroute(re.compile("/reading/"))
    is_saved(entry)
    assert Reading.objects.get().version == 1
    assert list(WriteKey.objects.values_list("key", flat=True)) == [lost[0]]
    assert AuditEvent.objects.filter(action="typed reading").count() == 1


def test_a_server_that_breaks_and_a_page_of_something_in_between_lose_nothing(entry, context):
    answers = [{"status": 500, "body": "broken"}, {"status": 200, "body": "<h1>Pay for the Wi-Fi</h1>"}]
    context.route(re.compile("/reading/"), lambda route: route.fulfill(**answers.pop(0)), times=2)
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("the server does not answer as it should", timeout=BACK)
    assert stored() == {}
    is_saved(entry)
    assert answers == []
    assert stored() == {90.0: "0.05"}


def test_a_stale_token_is_replaced_by_itself(entry):
    def stale(route) -> None:
        route.continue_(headers={**route.request.headers, "x-csrftoken": "x" * 64})

    entry.route(re.compile("/reading/"), stale, times=1)
    type_in(entry, 90, "0.05")
    expect(entry.locator(".pos.at90 .tick")).to_be_visible(timeout=BACK)
    assert stored() == {90.0: "0.05"}


def test_a_conflict_stands_side_by_side_keeps_both_and_the_rest_goes_on(entry, context, machine, visit, domer):
    context.set_offline(True)
    for angle, text in FOUR.items():
        type_in(entry, angle, text)
    entry.locator("#id_note").fill("mine")
    entry.get_by_role("button", name="Save the note").tap()
    expect(bar(entry)).to_contain_text("5 not on the server yet")
    other = factories.person("mechanic", machine.line.plant, first_name="Bo", last_name="Lind")
    station = machine.stations.get(kind="domer")
    swept = visit.sweeps.create(station=station, stage="as_found")
    Reading.objects.create(
        sweep=swept, repeat=1, angle_deg=90, value_um=90, typed="0.09", unit="mm", by=other, at=factories.NOW
    )
    StationNote.objects.create(visit=visit, station=station, note="theirs")
    context.set_offline(False)
    choice, said = bar(entry).locator(".decision"), entry.locator("#said-slot-1-90-0")
    expect(choice).to_have_count(1, timeout=BACK)
    expect(said).to_contain_text("Bo Lind typed 0.09 mm here meanwhile; yours, 0.05 mm, is not stored yet.")
    expect(choice.locator("dd")).to_have_text(["mine", "theirs"])
    expect(entry.locator(".pos .tick")).to_have_count(3)
    assert stored() == {0.0: "0", 90.0: "0.09", 180.0: "0.12", 270.0: "0.07"}
    assert Axe().run(entry).response["violations"] == []
    entry.reload()
    expect(choice).to_have_count(1)
    expect(entry.locator(".pos.at90 input[name=value]")).to_have_value("0.05")
    said.get_by_role("button", name="Put mine in its place").tap()
    expect(said).to_be_empty()
    expect(entry.locator(".pos.at90 .tick")).to_be_visible()
    choice.get_by_role("button", name="Keep theirs").tap()
    expect(entry.locator("#id_note")).to_have_value("theirs")
    expect(bar(entry)).to_be_hidden()
    assert stored()[90.0] == "0.05"
    assert AuditEvent.objects.filter(action="changed reading", before__typed="0.09").exists(), "theirs is kept"


def test_two_tabs_of_one_tablet_show_each_others_readings_and_overwrite_none_unseen(
    entry, context, domer, live_server
):
    other = context.new_page()
    other.goto(live_server.url + domer)
    field = other.locator(".pos.at90 input[name=value]")
    field.fill("0.07")  # begun, not left yet
    type_in(entry, 0, "0.01")
    expect(other.locator(".pos.at0 input[name=value]")).to_have_value("0.01")
    type_in(entry, 90, "0.05")
    expect(entry.locator(".pos.at90 .tick")).to_be_visible()
    field.press("Enter")
    for tab in (other, entry):
        expect(tab.locator("#said-slot-1-90-0")).to_contain_text(
            "Ana Berg typed 0.05 mm here meanwhile; yours, 0.07 mm"
        )
    assert stored() == {0.0: "0.01", 90.0: "0.05"}


def test_a_new_release_empties_the_stores_of_the_one_before(entry, domer, monkeypatch):
    type_in(entry, 90, "0.05")
    expect(entry.locator(".pos.at90 .tick")).to_be_visible()
    before = entry.evaluate("() => caches.keys()")
    assert {name.split("-", 1)[1] for name in before} == {"unmarked"}
    monkeypatch.setattr(staticfiles_storage, "manifest_hash", "nextrelease", raising=False)
    # One that could not be installed, on a machine that is too busy, is fetched again with the next page opened.
    update = "() => { navigator.serviceWorker.getRegistration().then((one) => one.update()).catch(() => {}); }"
    gone = "async () => (await caches.keys()).every((name) => name.endsWith('-nextrelease'))"
    for _ in range(10):
        with contextlib.suppress(AssertionError, Error):
            entry.evaluate(update)
            wait_until(entry, "the old stores are gone", gone, seconds=6)
            break
        with contextlib.suppress(Error):  # a page asked for while workers change hands is asked for again
            entry.reload(wait_until="commit", timeout=10_000)
    wait_until(entry, "the old stores are gone", gone)
    entry.reload()
    wait_until_kept(entry, domer)
