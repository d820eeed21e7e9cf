"""A shared tablet in a real browser: number pad, the warning before it goes back, and a lost network."""

import datetime as dt
import re

import pytest
from django.contrib.auth.hashers import make_password
from playwright.sync_api import Page, expect

from linelog.web.models import AuditEvent
from tests import factories

PIN = "7294"


@pytest.fixture
def plant(transactional_db):
    return factories.plant(tablet_timeout_minutes=10)


@pytest.fixture
def mechanic(plant):
    return factories.person("mechanic", plant, first_name="Ana", last_name="Berg", pin_hash=make_password(PIN))


@pytest.fixture
def tablet(page: Page, at, plant, mechanic) -> Page:
    """A page of a device that was signed in to be shared; its clock is the test's."""
    account = factories.person("viewer", plant)
    page.clock.install(time=dt.datetime.now(dt.UTC))
    at("/sign-in/")
    page.get_by_label("Username").fill(account.username)
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.get_by_label("This is a shared tablet").check()
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="Who takes over this tablet?")).to_be_visible()
    return page


def take_over(tablet: Page) -> None:
    tablet.get_by_role("link", name="Ana Berg").tap()
    for digit in PIN:
        tablet.get_by_role("button", name=digit, exact=True).tap()
    tablet.get_by_role("button", name="Go").tap()
    expect(tablet.locator("header")).to_contain_text("Ana Berg")


def test_with_gloves_on_the_number_pad_and_back(tablet, mechanic, at):
    tablet.get_by_role("link", name="Ana Berg").tap()
    for key in tablet.locator("#pin-keys button").all():
        box = key.bounding_box()
        assert min(box["width"], box["height"]) >= 72
    tablet.get_by_role("link", name="Another name").tap()
    take_over(tablet)
    at("/people/me/")
    tablet.get_by_role("button", name="Hand over").tap()
    expect(tablet.locator("header")).to_contain_text("nobody acts")
    tablet.evaluate("history.back()")  # what she saw is not kept in the browser
    expect(tablet.get_by_role("heading", name="Who takes over this tablet?")).to_be_visible()


def test_a_wrong_digit_is_taken_back(tablet, mechanic):
    tablet.get_by_role("link", name="Ana Berg").tap()
    for key in ("7", "2", "8", "Take the last digit back", "9", "4"):
        tablet.get_by_role("button", name=key, exact=True).tap()
    tablet.get_by_role("button", name="Go").tap()
    expect(tablet.locator("header")).to_contain_text("Ana Berg")


def test_a_wrong_pin_is_told_on_the_same_page(tablet, mechanic, expected_trouble):
    expected_trouble.append("422")
    tablet.get_by_role("link", name="Ana Berg").tap()
    tablet.get_by_label("PIN").fill("9061")
    tablet.get_by_role("button", name="Go").tap()
    expect(tablet.get_by_text("4 tries left")).to_be_visible()


def test_it_warns_a_minute_before_it_goes_back_and_a_touch_keeps_it(tablet, mechanic, at):
    take_over(tablet)
    at("/people/me/")
    warning = tablet.get_by_role("dialog")
    tablet.clock.run_for(8 * 60_000 + 55_000)
    expect(warning).to_be_hidden()
    tablet.clock.run_for(10_000)
    expect(warning).to_be_visible()
    tablet.get_by_role("button", name="Still here").tap()
    expect(warning).to_be_hidden()
    tablet.clock.run_for(9 * 60_000 + 10_000)
    expect(warning).to_be_visible()
    tablet.clock.run_for(60_000)
    expect(tablet).to_have_url(re.compile(re.escape("/tablet/?next=%2Fpeople%2Fme%2F")))
    assert AuditEvent.objects.filter(action="tablet given back by time").count() == 1
    take_over(tablet)
    expect(tablet.get_by_role("heading", name="Ana Berg")).to_be_visible()


def test_without_a_network_it_stays_shut_until_it_can_go_back(tablet, mechanic, at, context, expected_trouble):
    expected_trouble.append("ERR_INTERNET_DISCONNECTED")
    take_over(tablet)
    at("/people/me/")
    context.set_offline(True)
    tablet.clock.run_for(10 * 60_000 + 5_000)
    expect(tablet.get_by_text("No connection: the tablet waits here")).to_be_visible()
    tablet.get_by_role("button", name="Still here").tap()
    tablet.clock.run_for(5_000)
    expect(tablet.get_by_role("dialog")).to_be_visible()
    context.set_offline(False)
    tablet.clock.run_for(5_000)
    expect(tablet.get_by_role("heading", name="Who takes over this tablet?")).to_be_visible()


def test_without_script_the_pin_page_does_the_same(browser, live_server, plant, mechanic):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    account = factories.person("viewer", plant)
    page.goto(f"{live_server.url}/sign-in/")
    page.get_by_label("Username").fill(account.username)
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.get_by_label("This is a shared tablet").check()
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("link", name="Ana Berg").click()
    expect(page.get_by_role("button", name="1", exact=True)).to_be_hidden()
    page.get_by_label("PIN").fill(PIN)
    page.get_by_role("button", name="Take over").click()
    expect(page.locator("header")).to_contain_text("Ana Berg")
    context.close()
