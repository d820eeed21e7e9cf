"""The plan by typing, by the keyboard alone, and by dragging: the effect is there at once, and is stored."""

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from linelog.planning.models import PlannedVisit
from linelog.planning.services import entries
from linelog.production import weeks as calendar
from linelog.production.days import local_day
from tests import factories
from tests.planning.conftest import measured, stop


@pytest.fixture
def world(transactional_db):
    now = timezone.now()
    plant = factories.plant(name="Test works", crew_hours_per_week=5.0)
    line, by = factories.line(plant, name="Line 1"), factories.person("manager", plant)
    weeks = calendar.coming(local_day(plant, now), 4)
    for week in weeks[1:]:
        stop(plant, week)
    planned = [
        entries.put(
            by=by, at=now, machine=measured(line, by, now, name=name), week=weeks[number], hours=3.0,
            reason="Domer due.", pinned=False,
        )
        for number, name in ((1, "BM 1"), (2, "BM 2"))
    ]  # fmt: skip
    return {"by": by, "weeks": weeks, "entry": planned[0]}


def week_of(entry):
    return PlannedVisit.objects.get(pk=entry.pk).week


def test_moved_by_choosing_by_the_keyboard_and_by_dragging(world, sign_in, at):
    sign_in(world["by"])
    page, weeks, entry = at("/plan/"), world["weeks"], world["entry"]
    page.evaluate("window.sameLoad = true")
    second = page.locator(f"[data-week='{weeks[2]}']")

    page.locator(f"#entry-{entry.machine_id} summary").first.click()
    page.get_by_label("Week of BM 1", exact=True).select_option(weeks[2].isoformat())
    page.locator(f"#entry-{entry.machine_id}").get_by_role("button", name="Set").click()
    expect(second.get_by_role("link", name="BM 1: next visit")).to_be_visible()
    expect(second).to_contain_text("overbooked by 1 h")
    assert week_of(entry) == weeks[2]

    expect(page.get_by_label("Week of BM 1", exact=True)).to_be_focused()
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Enter")  # Earlier
    first = page.locator(f"[data-week='{weeks[1]}']")
    expect(first.get_by_role("link", name="BM 1: next visit")).to_be_visible()
    assert week_of(entry) == weeks[1]

    page.set_viewport_size({"width": 1280, "height": 2400})  # so that both weeks are in sight
    page.locator(f"#entry-{entry.machine_id} summary").first.drag_to(page.locator(f"[data-week='{weeks[3]}'] h2"))
    expect(page.locator(f"[data-week='{weeks[3]}']").get_by_role("link", name="BM 1: next visit")).to_be_visible()
    assert week_of(entry) == weeks[3]
    assert page.evaluate("window.sameLoad"), "no page was loaded"


def test_hours_typed_wrong_are_told_at_the_entry(world, sign_in, at, expected_trouble):
    expected_trouble.append("422")
    sign_in(world["by"])
    page, entry = at("/plan/"), world["entry"]
    page.locator(f"#entry-{entry.machine_id} summary").first.click()
    page.get_by_label("Hours of BM 1", exact=True).fill("-2")
    page.keyboard.press("Enter")
    expect(page.locator(f"#entry-{entry.machine_id}")).to_contain_text("The hours must be above zero.")
    assert PlannedVisit.objects.get(pk=entry.pk).version == 1
    page.get_by_label("Hours of BM 1", exact=True).fill("2,5")
    page.keyboard.press("Enter")  # is 'Set', not the first of the other buttons
    expect(page.locator(f"#entry-{entry.machine_id}")).to_contain_text("2.5 h")
    assert week_of(entry) == world["weeks"][1]
