"""A finding entered on a tablet with the finger leads to its machine; the Pareto charts are drawn."""

import pytest
from playwright.sync_api import expect

from tests import factories
from tests.trends import invented


@pytest.fixture
def machine(transactional_db):
    plant = factories.plant(name="Test works", date_code="year-digit day-of-year")
    factories.finding_lists(plant)
    made = factories.machine(factories.line(plant, name="Line 1"), mark="17", name="BM 17")
    invented.counts(made, 30, until=factories.counted_today())
    return made


def test_a_finding_leads_from_the_can_to_the_machine(machine, sign_in, at, page):
    page.set_viewport_size({"width": 800, "height": 1280})
    sign_in(factories.person("quality", machine.line.plant))
    at("/findings/")
    page.get_by_role("link", name="Enter a finding").tap()
    page.get_by_text("Light tester").tap()
    page.get_by_label("What is wrong").select_option(label="DOME-OFF Dome off centre, or marked on one side")
    page.get_by_label("How many cans").fill("3")
    page.get_by_label("Mark in the dome").fill("17")
    today = factories.today()
    page.get_by_label("Date code on the can").fill(f"{today.year % 10}{today.timetuple().tm_yday:03d}")
    page.get_by_role("button", name="Store").tap()
    expect(page.get_by_text("Mark 17 was on BM 17, Line 1")).to_be_visible()
    expect(page.get_by_text("Domer, off to one side")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 800
    page.get_by_role("link", name="BM 17", exact=True).tap()
    expect(page.get_by_role("heading", level=1)).to_contain_text("BM 17")
    at("/evidence/pareto/")
    expect(page.locator('[data-figure="code"] .main-svg').first).to_be_visible()
