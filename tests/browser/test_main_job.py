"""The main job on a tablet, from sign-in to the visit's mark on the machine's page, in a real browser."""

import re

import pytest
from playwright.sync_api import Page, expect

from linelog.alignment.models import Reading, Result, Visit
from tests import factories

TABLETS = {
    "1280x800": {"width": 1280, "height": 800},
    "1024x768": {"width": 1024, "height": 768},
    "800x1280": {"width": 800, "height": 1280},
}
KEYS = {"-": "sign", ".": "."}


@pytest.fixture
def machine(transactional_db, no_ram):
    return factories.machine(factories.line(factories.plant(name="Test works")), mark="17")


@pytest.fixture
def mechanic(machine):
    return factories.person("mechanic", machine.line.plant)


def tap(page: Page, number: str) -> None:
    """Type a number with the page's own pad, as gloves do: digits first, then the sign."""
    for key in number.lstrip("-"):
        page.locator(f'.pad [data-key="{KEYS.get(key, key)}"]').tap()
    if number.startswith("-"):
        page.locator('.pad [data-key="sign"]').tap()
    with page.expect_response(re.compile("/reading/")):
        page.locator('.pad [data-key="next"]').tap()


def sweep(page: Page, readings: list[str]) -> None:
    page.locator(".pos.at0 input[name=value]").tap()
    for number in readings:
        tap(page, number)


@pytest.mark.parametrize("size", TABLETS, ids=str)
def test_from_sign_in_to_signed_visit_to_its_mark_on_the_machines_page(page, sign_in, at, machine, mechanic, size):
    page.set_viewport_size(TABLETS[size])
    sign_in(mechanic)
    at(f"/machines/{machine.pk}/")
    page.get_by_role("link", name="Open a visit").first.tap()
    page.get_by_label("Reason", exact=True).select_option("routine")
    page.get_by_label("Stopped", exact=True).check()
    page.get_by_label("Lockout verified by").fill("A. Mechanic")
    page.get_by_label("It was tried to start").check()
    page.get_by_role("button", name="Open the visit").tap()

    page.get_by_role("link", name="Domer").tap()
    sweep(page, ["0", "0.05", "0.12", "0.07"])
    result = page.locator("#result")
    expect(result).to_contain_text("out")
    expect(result).to_contain_text("+0.060")
    expect(page.locator("#headline").get_by_role("link", name="Move below")).to_be_visible()
    page.get_by_role("button", name="Done as offered").tap()
    expect(page.locator("#moves")).to_contain_text("Lift screw")

    page.get_by_role("navigation", name="Stage").get_by_role("link", name="As left").tap()
    sweep(page, ["0.01", "0.01", "0.01", "0.01"])
    expect(result).to_contain_text("Leave it")

    page.get_by_role("link", name=machine.name).first.tap()
    page.get_by_role("link", name="Sign and close").tap()
    page.get_by_role("button", name="Sign and close").tap()
    expect(page.get_by_text(re.compile("Signed by"))).to_be_visible()
    visit = Visit.objects.get()
    assert visit.state == Visit.State.SIGNED
    assert Result.objects.get(stage="as_found").verdict == "out"

    at(f"/machines/{machine.pk}/")
    expect(page.locator(f'a[href="/visits/{visit.pk}/"]').first).to_be_visible()


def test_a_negative_reading_needs_no_minus_key_of_the_system(page, sign_in, at, machine, mechanic):
    visit = factories.visit(machine, mechanic)
    sign_in(mechanic)
    at(f"/visits/{visit.pk}/stations/{machine.stations.get(kind='domer').pk}/")
    page.locator(".pos.at0 input[name=value]").tap()
    tap(page, "-0.025")
    assert Reading.objects.get().value_um == -25.0
    expect(page.locator(".pos.at0 .tick")).to_be_visible()
    page.reload()
    expect(page.locator(".pos.at0 input[name=value]")).to_have_value("-0.025")


def test_nothing_to_touch_is_smaller_than_48_px_and_the_pad_is_72(page, sign_in, at, machine, mechanic):
    visit = factories.visit(machine, mechanic)
    sign_in(mechanic)
    for size in TABLETS.values():
        page.set_viewport_size(size)
        at(f"/visits/{visit.pk}/stations/{machine.stations.get(kind='domer').pk}/")
        small = page.evaluate(
            """() => [...document.querySelectorAll('main button, main a, main input:not([type=hidden]), main select')]
                .filter((e) => e.checkVisibility())
                .map((e) => ({ text: e.textContent || e.name, box: e.getBoundingClientRect() }))
                .filter(({ box }) => box.height < 47.5 || box.width < 47.5)
                .map(({ text, box }) => `${text.trim()}: ${box.width}x${box.height}`)"""
        )
        assert small == []
        for key in page.locator(".pad button").all():
            box = key.bounding_box()
            assert box["width"] >= 72
            assert box["height"] >= 72


def test_fields_and_pad_keep_8_px_apart_at_any_number_of_positions(page, sign_in, at, machine, mechanic):
    visit = factories.visit(machine, mechanic)
    domer = machine.stations.get(kind="domer")
    sign_in(mechanic)
    for positions in (4, 6, 8, 12):
        visit.sweeps.all().delete()
        visit.sweeps.create(station=domer, stage="as_found", positions=positions)
        at(f"/visits/{visit.pk}/stations/{domer.pk}/")
        boxes = [b.bounding_box() for b in page.locator(".pos input[name=value], .pad button").all()]
        assert len(boxes) == positions + 1 + 14
        gap = 7.5  # 8 px, less what rounding takes
        for number, one in enumerate(boxes):
            for other in boxes[number + 1 :]:
                apart = (
                    one["x"] + one["width"] + gap <= other["x"]
                    or other["x"] + other["width"] + gap <= one["x"]
                    or one["y"] + one["height"] + gap <= other["y"]
                    or other["y"] + other["height"] + gap <= one["y"]
                )
                assert apart, (positions, one, other)


@pytest.fixture
def expected_trouble(request):
    return ["status of 409", "status of 422"] if "told" in request.node.name else []


def test_the_second_of_two_tablets_is_told_and_can_put_its_own_in_place(
    page, context, browser, browser_context_args, sign_in, at, machine, mechanic, live_server
):
    visit = factories.visit(machine, mechanic)
    path = f"/visits/{visit.pk}/stations/{machine.stations.get(kind='domer').pk}/"
    sign_in(mechanic)
    at(path)
    other_tablet = browser.new_context(**browser_context_args, storage_state=context.storage_state())
    other = other_tablet.new_page()
    other.goto(live_server.url + path)
    other.locator(".pos.at0 input[name=value]").tap()
    tap(other, "0.05")
    page.locator(".pos.at0 input[name=value]").tap()
    tap(page, "0.09")
    expect(page.locator("#said-slot-1-0-0 .wrong")).to_contain_text("typed 0.05 mm here meanwhile")
    assert Reading.objects.get().value_um == 50.0
    with page.expect_response(re.compile("/reading/")):
        page.locator("#clock-said").get_by_role("button", name="Put mine in its place").tap()
    other_tablet.close()
    assert Reading.objects.get().value_um == 90.0
