"""Who typed it: nobody else sends it, and nobody else sees what the tablet keeps."""

from __future__ import annotations

import re

from django.contrib.auth.hashers import make_password
from playwright.sync_api import Page, expect

from linelog.alignment.models import Reading
from tests import factories
from tests.browser.offline.tablet import BACK, all_is_sent, bar, stored, type_in, wait_until_kept

PIN = "7294"


def test_leaving_warns_and_nobody_else_sends_it(entry, context, machine, domer, enter, mechanic, live_server):
    context.route(re.compile("/reading/"), lambda route: route.abort())
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("1 not on the server yet: no connection")
    entry.get_by_role("button", name="Sign out").tap()
    dialog = entry.get_by_role("dialog")
    expect(dialog).to_contain_text("One thing you typed is only on this tablet")
    dialog.get_by_role("button", name="Stay").tap()
    expect(entry.locator(".pos.at90 input[name=value]")).to_have_value("0.05")
    entry.get_by_role("button", name="Sign out").tap()
    dialog.get_by_role("button", name="Leave all the same").tap()
    expect(entry.get_by_role("heading", name="Sign in")).to_be_visible()
    assert not entry.evaluate("async (path) => Boolean(await caches.match(path))", domer)
    context.unroute(re.compile("/reading/"))

    enter(factories.person("mechanic", machine.line.plant))
    entry.goto(live_server.url + domer)
    expect(bar(entry)).to_contain_text("1 kept for Ana Berg: sent when Ana Berg signs in on this tablet")
    type_in(entry, 0, "0.01")
    expect(entry.locator(".pos.at0 .tick")).to_be_visible()
    assert stored() == {0.0: "0.01"}
    enter(mechanic)
    entry.goto(live_server.url + domer)
    expect(entry.locator(".pos.at90 .tick")).to_be_visible(timeout=BACK)
    assert Reading.objects.get(angle_deg=90).by == mechanic
    assert Reading.objects.get(angle_deg=0).by != mechanic


def test_signing_out_without_a_connection_shuts_the_pages_and_is_done_when_it_is_back(
    entry, context, domer, live_server
):
    context.set_offline(True)
    entry.get_by_role("button", name="Sign out").tap()
    dialog = entry.get_by_role("dialog")
    expect(dialog).to_contain_text("the server can't sign you out now")
    dialog.get_by_role("button", name="Leave all the same").tap()
    expect(entry.get_by_text("You are not signed out yet")).to_be_visible()
    entry.goto(live_server.url + domer)
    expect(entry.get_by_role("heading", name="No connection")).to_be_visible()
    context.set_offline(False)
    entry.goto(live_server.url + domer)
    expect(entry.get_by_role("heading", name="Sign in")).to_be_visible(timeout=BACK)


def test_a_session_that_is_over_asks_to_sign_in_and_keeps_what_was_typed(
    entry, context, enter, mechanic, domer, live_server
):
    context.clear_cookies()
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("sign in again to send it", timeout=BACK)
    expect(bar(entry).get_by_role("link", name="Sign in")).to_be_visible()
    assert stored() == {}
    enter(mechanic)
    entry.goto(live_server.url + domer)
    expect(entry.locator(".pos.at90 .tick")).to_be_visible(timeout=BACK)
    assert stored() == {90.0: "0.05"}


def take_over(page: Page, name: str) -> None:
    page.get_by_role("link", name=name).tap()
    page.get_by_label("PIN").fill(PIN)
    page.get_by_role("button", name="Go").tap()
    expect(page.locator("header")).to_contain_text(name)


def test_on_a_shared_tablet_each_ones_readings_wait_for_their_own_pin(
    page, context, machine, mechanic, domer, live_server
):
    plant = machine.line.plant
    account = factories.person("viewer", plant)
    ana = mechanic
    bo = factories.person("mechanic", plant, first_name="Bo", last_name="Lind", pin_hash=make_password(PIN))
    type(ana).objects.filter(pk=ana.pk).update(pin_hash=make_password(PIN))
    page.goto(f"{live_server.url}/sign-in/")
    page.get_by_label("Username").fill(account.username)
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.get_by_label("This is a shared tablet").check()
    page.get_by_role("button", name="Sign in").click()
    take_over(page, "Ana Berg")
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    context.route(re.compile("/reading/"), lambda route: route.abort())
    type_in(page, 90, "0.05")
    expect(bar(page)).to_contain_text("1 not on the server yet: no connection")
    page.get_by_role("button", name="Hand over").tap()
    page.get_by_role("button", name="Leave all the same").tap()
    expect(bar(page)).to_contain_text("1 kept for Ana Berg")
    context.unroute(re.compile("/reading/"))
    assert not page.evaluate("async (path) => Boolean(await caches.match(path))", domer)

    take_over(page, "Bo Lind")
    page.goto(live_server.url + domer)
    type_in(page, 0, "0.01")
    expect(page.locator(".pos.at0 .tick")).to_be_visible()
    page.get_by_role("button", name="Hand over").tap()
    take_over(page, "Ana Berg")
    expect(bar(page)).not_to_contain_text("not on the server", timeout=BACK)
    all_is_sent(page)
    assert {r.angle_deg: r.by for r in Reading.objects.select_related("by")} == {0.0: bo, 90.0: ana}

    # Left lying for the tablet's time, what it kept opens no more, also without a server to ask.
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    context.set_offline(True)
    page.goto(live_server.url + domer)
    expect(page.locator("#screen")).to_be_visible()
    page.evaluate(
        """async () => {
            const store = await caches.open((await caches.keys()).find((name) => name.startsWith('about-')));
            const facts = await (await store.match('/about')).json();
            facts.seen -= facts.seconds * 1000 + 1;
            await store.put('/about', new Response(JSON.stringify(facts)));
        }"""
    )
    page.goto(live_server.url + domer)
    expect(page.get_by_role("heading", name="No connection")).to_be_visible()
    expect(page.locator("#kept")).to_be_hidden()
