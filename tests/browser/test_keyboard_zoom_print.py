"""The main job without a pointer, the pages at 200 % and at 320 px, and the sheet on paper.

WCAG 2.2: 2.1.1 keyboard, 2.4.1 bypass blocks, 2.4.7 focus visible, 1.4.4 resize text, 1.4.10 reflow.
"""

import re

import pytest
from django.utils import timezone
from playwright.sync_api import Locator, Page, expect

from linelog.alignment.models import Result, Visit
from tests import factories
from tests.trends import invented


@pytest.fixture
def machine(transactional_db, no_ram):
    return factories.machine(factories.line(factories.plant(name="Test works")), mark="17", name="BM 17")


@pytest.fixture
def mechanic(machine):
    return factories.person("mechanic", machine.line.plant)


@pytest.fixture
def browser_context_args(request):
    """A window of 1280 x 800 zoomed to 200 % has 640 x 400 px, each of two by two of the screen's."""
    if "at_200" in request.node.name:
        return {"viewport": {"width": 640, "height": 400}, "device_scale_factor": 2, "locale": "en-GB"}
    return {"viewport": {"width": 1280, "height": 800}, "locale": "en-GB"}


SEEN = """() => {
    const at = document.activeElement, box = at.getBoundingClientRect(), style = getComputedStyle(at);
    return { outline: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2,
             inside: box.width > 0 && box.right > 0 && box.left < innerWidth
                 && box.bottom > 0 && box.top < innerHeight,
             what: at.outerHTML.slice(0, 120) };
}"""


def tab_to(page: Page, wanted: Locator) -> None:
    """Press Tab until the focus is there; wherever it stops on the way it must be seen."""
    expect(wanted).to_be_visible()
    for _ in range(120):
        if wanted.evaluate("one => one === document.activeElement"):
            return
        page.keyboard.press("Tab")
        seen = page.evaluate(SEEN)
        assert seen["what"].startswith("<body") or (seen["outline"] and seen["inside"]), seen
    raise AssertionError("Tab never came there")


def enter(page: Page, wanted: Locator) -> None:
    tab_to(page, wanted)
    page.keyboard.press("Enter")


def type_sweep(page: Page, readings: list[str]) -> None:
    tab_to(page, page.locator(".pos.at0 input[name=value]"))
    for number in readings:
        page.keyboard.type(number)
        with page.expect_response(re.compile("/reading/")):
            page.keyboard.press("Enter")


def test_from_sign_in_to_a_signed_visit_by_tab_and_enter_alone(page, at, machine, mechanic):
    at("/sign-in/")
    tab_to(page, page.get_by_label("Username"))
    page.keyboard.type(mechanic.username)
    tab_to(page, page.get_by_label("Password"))
    page.keyboard.type(factories.PASSWORD)
    enter(page, page.get_by_role("button", name="Sign in"))
    enter(page, page.locator("main .pick a").first)
    enter(page, page.get_by_role("link", name="Open a visit").first)
    tab_to(page, page.get_by_label("Reason", exact=True))
    page.keyboard.type("Routine")
    tab_to(page, page.get_by_label("Stopped", exact=True))
    page.keyboard.press("Space")
    tab_to(page, page.get_by_label("Lockout verified by"))
    page.keyboard.type("A. Mechanic")
    tab_to(page, page.get_by_label("It was tried to start"))
    page.keyboard.press("Space")
    enter(page, page.get_by_role("button", name="Open the visit"))
    enter(page, page.get_by_role("link", name="Domer"))
    type_sweep(page, ["0", "0.05", "0.12", "0.07"])
    expect(page.locator("#result")).to_contain_text("+0.060")
    enter(page, page.get_by_role("button", name="Done as offered"))
    expect(page.locator("#moves")).to_contain_text("Lift screw")
    enter(page, page.get_by_role("navigation", name="Stage").get_by_role("link", name="As left"))
    page.wait_for_url(re.compile("as_left"))
    type_sweep(page, ["0.01", "0.01", "0.01", "0.01"])
    expect(page.locator("#result")).to_contain_text("Leave it")
    enter(page, page.locator(".where a"))
    enter(page, page.get_by_role("link", name="Sign and close"))
    enter(page, page.get_by_role("button", name="Sign and close"))
    expect(page.get_by_text(re.compile("Signed by"))).to_be_visible()
    assert Visit.objects.get().state == Visit.State.SIGNED
    assert Result.objects.get(stage="as_found").verdict == "out"


def test_the_first_tab_offers_to_skip_what_every_page_repeats(page, sign_in, at, machine, mechanic):
    sign_in(mechanic)
    at("/visits/")
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="To the content")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")


OVERLAPS = """() => {
    const kinds = 'a, button, input, select, textarea, h1, h2'.split(', ').map((kind) => `main ${kind}`).join();
    const shown = [...document.querySelectorAll(kinds)]
        .filter((one) => one.checkVisibility())
        .map((one) => ({ one, box: one.getBoundingClientRect() }))
        .filter(({ box }) => box.width > 4 && box.height > 4);
    const found = [];
    shown.forEach(({ one, box }, number) => shown.slice(number + 1).forEach(({ one: other, box: next }) => {
        const wide = Math.min(box.right, next.right) - Math.max(box.left, next.left);
        const high = Math.min(box.bottom, next.bottom) - Math.max(box.top, next.top);
        if (wide > 1 && high > 1 && !one.contains(other) && !other.contains(one))
            found.push(`${one.outerHTML.slice(0, 90)} | ${other.outerHTML.slice(0, 90)}`);
    }));
    return found;
}"""
TOO_WIDE = """() => {
    const width = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth <= width) return [];
    return [...document.querySelectorAll('body *')].filter((one) => one.checkVisibility()
        && one.getBoundingClientRect().right > width + 1 && !one.closest('.scroll'))
        .map((one) => one.outerHTML.slice(0, 90));
}"""


def pages(machine, mechanic) -> list[str]:
    """The main pages, with history, an open visit and a typed sweep behind them."""
    manager = factories.person("manager", machine.line.plant)
    invented.history(machine, manager, 8, until=timezone.now(), every=30)
    invented.counts(machine, 120, until=factories.counted_today())
    visit = factories.visit(machine, mechanic)
    signed = machine.visits.filter(state="signed").first()
    station = f"/visits/{visit.pk}/stations/{machine.stations.get(kind='domer').pk}/"
    visits = ["/visits/", f"/visits/{visit.pk}/", f"/visits/{signed.pk}/", f"/visits/{signed.pk}/amend/"]
    more = [
        f"/machines/{machine.pk}/",
        f"/visits/open/{machine.pk}/",
        "/find/?q=BM",
        "/counts/",
        "/labels/",
        "/people/me/",
    ]
    return ["/sign-in/", "/", station, *visits, *more]


def look_through(page: Page, at, paths: list[str]) -> list[str]:
    wrong = []
    for path in paths:
        at(path)
        wrong += [f"{path} is too wide: {what}" for what in page.evaluate(TOO_WIDE)]
        wrong += [f"{path} overlaps: {what}" for what in page.evaluate(OVERLAPS)]
    return wrong


def test_at_200_percent_no_page_scrolls_sideways_and_nothing_overlaps(page, sign_in, at, machine, mechanic):
    paths = pages(machine, mechanic)
    sign_in(mechanic)
    assert look_through(page, at, paths) == []
    at(paths[2])
    type_sweep(page, ["0", "0.05", "0.12", "0.07"])
    expect(page.locator("#result")).to_contain_text("+0.060")
    page.evaluate("document.querySelectorAll('main details').forEach(one => { one.open = true })")
    assert page.evaluate(TOO_WIDE) + page.evaluate(OVERLAPS) == []


def test_a_window_of_320_px_needs_no_sideways_scrolling_either(page, sign_in, at, machine, mechanic):
    page.set_viewport_size({"width": 320, "height": 640})
    paths = pages(machine, mechanic)
    sign_in(mechanic)
    assert look_through(page, at, paths) == []


@pytest.mark.parametrize("state", ["open", "signed"])
def test_a_visit_on_paper_has_its_lockout_and_caution_and_nothing_to_press(
    page, sign_in, at, machine, mechanic, state
):
    visit = factories.visit(machine, mechanic)
    if state == "signed":
        closed = {"state": "signed", "signed_by": mechanic, "signed_at": timezone.now()}
        Visit.objects.filter(pk=visit.pk).update(**closed)
    sign_in(mechanic)
    at(f"/visits/{visit.pk}/")
    page.emulate_media(media="print", color_scheme="dark")
    for gone in page.locator("nav, button, summary, form, .person, .skip").all():
        expect(gone).not_to_be_visible()
    expect(page.get_by_text(f"Verified by {mechanic}")).to_be_visible()
    expect(page.get_by_text("This record is not permission to start or to enter a machine")).to_be_visible()
    for station in machine.stations.all():
        expect(page.locator("td").get_by_text(str(station), exact=True).first).to_be_visible()
    expect(page.locator("body")).to_have_css("color", "rgb(0, 0, 0)")
    expect(page.locator(".card").first).to_have_css("background-color", "rgb(255, 255, 255)")
