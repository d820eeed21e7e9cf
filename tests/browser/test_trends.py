"""A machine's charts under a finger: drawn under the page's policy, swapped without a load, opened by a tap."""

import re

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from tests import factories
from tests.trends import invented

CHART = '[data-figure="time"]'


@pytest.fixture
def machine(transactional_db):
    made = factories.machine(factories.line(factories.plant(name="Test works")), mark="17", name="BM 17")
    by = factories.person("manager", made.line.plant)
    invented.history(made, by, 8, until=timezone.now(), every=30)
    invented.counts(made, 300, until=factories.counted_today())
    return made


@pytest.fixture
def shown(machine, sign_in, at):
    sign_in(factories.person("mechanic", machine.line.plant))
    page = at(f"/machines/{machine.pk}/")
    expect(page.locator(f"{CHART} .main-svg").first).to_be_visible()
    return page


def spots(page: Page, subplot: str) -> list[list[float]]:
    """Middles of the marks drawn in a panel, in pixels of the window."""
    find = """subplot => [...document.querySelectorAll(
        `[data-figure=time] .${subplot} .scatterlayer .points path`)]
        .map(path => path.getBoundingClientRect()).map(box => [box.x + box.width / 2, box.y + box.height / 2])"""
    return page.evaluate(find, subplot)


def test_a_tap_on_a_visits_mark_opens_the_visit(shown, machine):
    shown.locator(CHART).evaluate("chart => chart.scrollIntoView({block: 'start'})")  # the marks are at its top
    last = machine.visits.order_by("-opened_at").first()
    shown.touchscreen.tap(*spots(shown, "xy")[-1])
    expect(shown).to_have_url(re.compile(f"/visits/{last.pk}/"))


def test_a_tap_on_a_value_tells_it_and_stays(shown, machine):
    shown.locator(CHART).scroll_into_view_if_needed()
    shown.touchscreen.tap(*spots(shown, "xy2")[0])
    expect(shown.locator(f"{CHART} .hoverlayer")).to_contain_text(re.compile("as (found|left)"))
    expect(shown).to_have_url(re.compile(f"/machines/{machine.pk}/$"))


def test_another_span_is_swapped_in_and_can_be_shared_and_gone_back_from(shown):
    shown.evaluate("window.sameLoad = true")
    shown.get_by_label("3 months").tap()
    expect(shown).to_have_url(re.compile("span=3m"))
    expect(shown.locator(f"{CHART} .main-svg").first).to_be_visible()
    assert shown.evaluate("window.sameLoad"), "no page was loaded"
    shown.get_by_label("By day").tap()
    expect(shown).to_have_url(re.compile("span=3m&grain=day"))
    shown.go_back()
    expect(shown).to_have_url(re.compile("span=3m&grain=week"))
    expect(shown.locator(f"{CHART} .main-svg").first).to_be_visible()
    expect(shown.get_by_role("heading", level=1)).to_contain_text("BM 17")


@pytest.mark.parametrize("figure", [CHART, '[data-figure^="clock"]'])
def test_a_finger_scrolls_the_page_across_a_chart(shown, figure):
    box = shown.locator(f"{figure} .main-svg").first
    box.scroll_into_view_if_needed()
    place = box.bounding_box()
    x, y, before = place["x"] + place["width"] / 2, min(place["y"] + 150, 500), shown.evaluate("scrollY")
    touch = shown.context.new_cdp_session(shown)
    touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for step in range(1, 12):
        touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": y + 20 * step}]})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    shown.wait_for_function("before => scrollY < before - 50", arg=before)


def test_the_numbers_open_under_the_chart_page_by_page(shown):
    tear_offs = shown.locator("details", has_text="Tear-offs").filter(
        has=shown.locator("summary:text-is('Tear-offs')")
    )
    tear_offs.locator("summary").tap()
    expect(tear_offs.locator("tbody tr")).to_have_count(40)
    tear_offs.get_by_role("link", name="Older").tap()
    expect(tear_offs.locator("caption")).to_contain_text("page 2 of 2")


@pytest.mark.parametrize("size", [(1280, 800), (1024, 768), (800, 1280)], ids=str)
def test_no_page_is_wider_than_the_tablet_and_nothing_to_touch_is_small(page, shown, at, machine, size):
    shown.set_viewport_size({"width": size[0], "height": size[1]})
    small = """() => [...document.querySelectorAll('main a, main button, main summary, main label.tick, main select')]
        .map(one => [one, one.getBoundingClientRect()])
        .filter(([one, box]) => box.width > 0 && (box.height < 47.5 || box.width < 47.5) && !one.closest('dd, p'))
        .map(([one]) => one.outerHTML.slice(0, 120))"""
    for path in (f"/machines/{machine.pk}/", "/", "/find/?q=17", "/labels/"):
        at(path)
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0], path
        assert page.evaluate(small) == [], path


def test_the_search_answers_while_one_types(shown, at):
    page = at("/")
    page.locator("#q").press_sequentially("17")
    expect(page.locator("#hits .button.main")).to_contain_text("BM 17")
