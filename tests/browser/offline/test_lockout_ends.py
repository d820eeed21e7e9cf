"""A lockout ends in the middle of a sweep: what is typed waits and goes out once it is verified anew."""

from __future__ import annotations

import datetime as dt
import time

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from linelog.alignment.models import Lockout
from tests import factories
from tests.browser.offline.tablet import BACK, all_is_sent, bar, stored, type_in


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args):
    return {**browser_context_args, "timezone_id": "America/Los_Angeles"}


@pytest.fixture
def machine(transactional_db):
    return factories.machine(factories.line(factories.plant(name="Test works", timezone="Asia/Tokyo")), mark="17")


@pytest.fixture
def server_in_new_york(monkeypatch):
    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_what_is_typed_after_its_end_waits_and_goes_out_by_itself_once_verified(entry, visit):
    type_in(entry, 0, "0.01")
    all_is_sent(entry)
    Lockout.objects.update(ended_at=timezone.now(), ended_how="test")
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("The lockout was taken off for inching or a test", timeout=BACK)
    type_in(entry, 180, "0.12")
    expect(bar(entry).get_by_role("button", name="Send all 2 again")).to_be_visible(timeout=BACK)
    assert stored() == {0.0: "0.01"}
    expect(entry.locator(".pos.at90 input[name=value]")).to_have_value("0.05")
    entry.get_by_label("Lockout verified by").fill("Ana Berg")
    entry.get_by_label("It was tried to start").check()
    entry.get_by_role("button", name="It is locked out and verified").tap()
    expect(bar(entry).locator(".decision")).to_have_count(0, timeout=BACK)
    all_is_sent(entry)
    assert stored() == {0.0: "0.01", 90.0: "0.05", 180.0: "0.12"}
    assert list(visit.lockouts.values_list("ended_how", flat=True)) == ["test", ""]


def test_times_are_the_plants_where_server_plant_and_tablet_go_by_three_clocks(
    server_in_new_york, entry, context, visit, live_server
):
    """Tokyo is nine hours ahead of UTC all year; Los Angeles and New York are four to eight behind."""
    now = timezone.now()
    tokyo = {f"{(now + dt.timedelta(hours=9, minutes=late)):%H:%M}" for late in range(3)}
    context.set_offline(True)
    type_in(entry, 0, "0.01")
    entry.get_by_text("Show what").tap()
    said = bar(entry).locator("ol").inner_text()
    assert any(f"typed {clock}" in said for clock in tokyo), said
    context.set_offline(False)
    entry.goto(f"{live_server.url}/visits/{visit.pk}/")
    opened = visit.opened_at + dt.timedelta(hours=9)
    expect(entry.locator("h1")).to_contain_text(f"{opened:%Y-%m-%d %H:%M}")


def test_reloaded_after_its_end_the_clock_says_why_it_takes_nothing_and_leads_to_the_form(entry):
    Lockout.objects.update(ended_at=timezone.now(), ended_how="test")
    entry.reload()
    expect(entry.locator("#clock")).to_contain_text("The lockout was taken off for inching or a test")
    expect(entry.locator("#clock .pad")).to_be_hidden()
    entry.locator("#clock").get_by_role("link", name="To the lockout").tap()
    expect(entry.get_by_label("Lockout verified by")).to_be_in_viewport()
    entry.get_by_label("Lockout verified by").fill("Ana Berg")
    entry.get_by_label("It was tried to start").check()
    entry.get_by_role("button", name="It is locked out and verified").tap()
    expect(entry.locator("#clock .pad")).to_be_visible()
    expect(entry.locator("#clock .locked")).to_be_hidden()
