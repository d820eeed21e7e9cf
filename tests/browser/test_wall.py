"""A wall sample by keyboard alone on an upright tablet, and the side of it that the pages then show."""

import datetime as dt

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from linelog.production.models import WallSample
from tests import factories

# Derived: e = 6 um toward 4:30 on 0.100 mm, to the gauge's step: thin at 10:30.
ROUND = ("0.096", "0.100", "0.104", "0.106", "0.104", "0.100", "0.096", "0.094")


@pytest.fixture
def machine(transactional_db):
    return factories.machine(name="BM 4")


@pytest.fixture
def mechanic(machine):
    return factories.person("mechanic", machine.line.plant)


def fits(page: Page) -> bool:
    """Whether nothing runs off the screen's right edge."""
    return page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def test_a_sample_by_keyboard_and_its_direction(page: Page, at, sign_in, machine, mechanic):
    page.set_viewport_size({"width": 800, "height": 1280})
    sign_in(mechanic)
    at(f"/counts/wall/enter/?machine={machine.pk}")
    assert fits(page)
    made = timezone.localtime() - dt.timedelta(hours=2)
    page.get_by_label("Made at").fill(f"{made:%Y-%m-%dT%H:%M}")
    page.get_by_label("Height (mm)").first.fill("60")
    page.keyboard.press("Tab")
    for value in ROUND:  # as a gauge on a cable sends it: the value, then Enter
        page.keyboard.type(value)
        page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Store", exact=True)).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_text("Thin side at 10:30 o'clock")).to_be_visible()
    expect(page.get_by_role("img", name="Thin side at 10:30 o'clock, seen from the crank.")).to_be_visible()
    assert WallSample.objects.get().rings.get().readings.count() == 8
    assert fits(page)
    at(f"/machines/{machine.pk}/wall/")
    expect(page.get_by_text("thin side at 10:30 o'clock")).to_be_visible()
    assert fits(page)


def test_fewer_positions_keep_what_is_typed(page: Page, at, sign_in, machine, mechanic):
    sign_in(mechanic)
    at(f"/counts/wall/enter/?machine={machine.pk}")
    page.get_by_label("3 o'clock", exact=True).first.fill("0.104")
    page.get_by_label("4", exact=True).check()
    expect(page.get_by_label("1:30 o'clock")).to_have_count(0)
    expect(page.get_by_label("3 o'clock", exact=True).first).to_have_value("0.104")
    for box in page.locator("input[data-wall]").all():
        assert min(box.bounding_box()["width"], box.bounding_box()["height"]) >= 48
