"""The clock under a thumb that types on: no question ever comes under it, and the unit is the typing person's own."""

import re

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from linelog.alignment.models import Lockout, Reading
from linelog.plant.models import Person
from tests import factories

SIZES = ({"width": 1280, "height": 800}, {"width": 800, "height": 1280})
# Where the middle of a control is, in the page; a screen that scrolled by itself would move the thumb's aim.
MIDDLE = "e => { const b = e.getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2]; }"
GAPS = """() => {
  const boxes = [...document.querySelectorAll('.answers button, .answers a')].map(e => e.getBoundingClientRect());
  const others = [...document.querySelectorAll('.pad button, .pos input')].map(e => e.getBoundingClientRect());
  const gap = (a, b) => Math.max(a.left - b.right, b.left - a.right, a.top - b.bottom, b.top - a.bottom);
  const between = boxes.flatMap((a, i) => boxes.slice(i + 1).map(b => gap(a, b)));
  return { pad: Math.min(...boxes.flatMap(a => others.map(b => gap(a, b)))), between: Math.min(...between),
           low: Math.min(...boxes.map(b => b.height)) };
}"""


@pytest.fixture
def expected_trouble():
    return ["status of 422"]


@pytest.fixture
def entry(page, sign_in, at, transactional_db):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic)
    sign_in(mechanic)
    return at(f"/visits/{visit.pk}/stations/{machine.stations.get(kind='domer').pk}/")


def press(page, keys):
    for key in keys:
        page.locator(f'.pad [data-key="{key}"]').tap()


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size['width']}x{size['height']}")
def test_typing_on_in_rhythm_answers_no_question(entry, size):
    entry.set_viewport_size(size)
    entry.locator(".pos.at0 input[name=value]").tap()
    before = entry.locator('.pad [data-key="next"]').evaluate(MIDDLE)
    press(entry, "17")
    with entry.expect_response(re.compile("/reading/")):
        press(entry, ["next"])
    line = entry.locator("#said-slot-1-0-0")
    expect(line).to_contain_text("17 mm is more than the 1.5 mm expected here")
    # Line heights in fractions are laid out anew to 1/64 px: half a pixel is no move.
    assert entry.locator('.pad [data-key="next"]').evaluate(MIDDLE) == pytest.approx(before, abs=0.5)
    for _ in range(6):  # the thumb goes on where Next was, whatever came up there
        entry.touchscreen.tap(*before)
    expect(line.get_by_role("button")).to_have_text(["17 µm", "0.017 mm", "Yes, 17 mm"])
    assert not Reading.objects.exists()
    gaps = entry.evaluate(GAPS)
    assert gaps["pad"] >= 24
    assert gaps["between"] >= 8
    assert gaps["low"] >= 48
    covered = "e => { const b = e.getBoundingClientRect(); const x = b.x + b.width / 2, y = b.y + b.height / 2;"
    covered += " const top = document.elementFromPoint(x, y); return top !== null && !e.contains(top); }"
    assert not any(key.evaluate(covered) for key in entry.locator(".pad button").all())
    with entry.expect_response(re.compile("/reading/")):
        line.get_by_role("button", name="17 µm").tap()
    expect(line).to_be_empty()
    expect(entry.locator(".pos.at0 input[name=value]")).to_have_value("0.017")
    expect(entry.locator(".pos.at0 .tick")).to_be_visible()
    assert Reading.objects.values_list("value_um", "typed", "unit").get() == (17.0, "17", "um")


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size['width']}x{size['height']}")
def test_no_key_moves_under_the_thumb_while_the_words_above_come_and_go(entry, size):
    """Half a key's height lower a 5 is an 8: what stands above the clock changes with every reading."""
    entry.set_viewport_size(size)
    entry.locator(".band").evaluate("e => { e.style.width = '340px'; }")  # many lines, as long words take
    entry.locator(".pos.at0 input[name=value]").tap()
    before, said = entry.locator('.pad [data-key="next"]').evaluate(MIDDLE), set()
    for count, keys in enumerate(("0", ".05", ".3"), 1):
        press(entry, keys)
        with entry.expect_response(re.compile("/reading/")):
            press(entry, ["next"])
        expect(entry.locator(".pos .tick")).to_have_count(count)
        said.add(entry.locator("#headline").inner_text())
        assert entry.locator('.pad [data-key="next"]').evaluate(MIDDLE) == pytest.approx(before, abs=0.5)
    assert len(said) > 1, "the words did change"
    entry.locator("#headline").evaluate("e => { e.textContent = 'In.'; }")  # and back to one line
    entry.wait_for_timeout(200)
    assert entry.locator('.pad [data-key="next"]').evaluate(MIDDLE) == pytest.approx(before, abs=0.5)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size['width']}x{size['height']}")
def test_nor_where_the_clock_has_eight_positions_and_the_page_is_longer_than_the_screen(entry, size):
    entry.set_viewport_size(size)
    entry.locator("#id_positions").evaluate("(field) => { field.value = '8'; field.form.requestSubmit(); }")
    expect(entry.locator(".pos.at45")).to_be_visible()
    entry.wait_for_load_state("networkidle")
    entry.locator(".pos.at0 input[name=value]").tap()
    before = entry.locator('.pad [data-key="next"]').evaluate(MIDDLE)
    for number in range(8):
        press(entry, f".0{number}")
        with entry.expect_response(re.compile("/reading/")):
            press(entry, ["next"])
        if number < 7:  # after the last the move is shown
            assert entry.locator('.pad [data-key="next"]').evaluate(MIDDLE) == pytest.approx(before, abs=0.5)


@pytest.mark.parametrize("stood", ["0.015", "-0.015"])
def test_a_number_typed_over_another_begins_with_its_sign(entry, stood):
    """As with a keyboard: sign, then digits, replace what stood there, and a sign alone turns it."""
    field = entry.locator(".pos.at0 input[name=value]")
    field.fill(stood)
    entry.locator(".pos.at90 input[name=value]").tap()
    field.tap()
    press(entry, ["sign"])
    expect(field).to_have_value("-0.015" if stood == "0.015" else "0.015")
    press(entry, "07")
    expect(field).to_have_value("-07")
    entry.locator(".pos.at90 input[name=value]").tap()
    field.tap()
    press(entry, ["sign", "sign", "4"])
    expect(field).to_have_value("4")
    press(entry, ["sign", "5"])
    expect(field).to_have_value("-45")


def test_a_question_left_open_is_still_there_when_the_page_is_opened_again(entry):
    entry.locator(".pos.at0 input[name=value]").tap()
    press(entry, ["1", "7", "next"])
    line = entry.locator("#said-slot-1-0-0")
    expect(line).to_contain_text("17 mm is more than")
    entry.reload()
    expect(line).to_contain_text("17 mm is more than")
    expect(entry.locator("#unsent .decision")).to_have_count(0)
    line.get_by_text("None of it").tap()
    expect(entry.locator(".pos.at0 input[name=value]")).to_have_value("")
    expect(line).to_be_empty()
    assert not Reading.objects.exists()


def test_the_unit_is_the_typing_persons_and_stands_large_above_the_clock(entry):
    entry.locator(".pos.at0 input[name=value]").tap()
    with entry.expect_response(re.compile("/reading/")):
        press(entry, [".", "0", "5", "next"])
    Person.objects.update(unit="inch")
    entry.reload()
    unit = entry.locator(".clock-unit")
    expect(unit).to_have_text("inch")
    assert float(unit.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")) >= 28
    expect(entry.get_by_label("12 o'clock, inch", exact=True)).to_have_value("+0.0020")
    expect(entry.locator("#clock-area")).to_contain_text(
        "Some readings were typed in mm: shown here converted to inch"
    )
    entry.locator(".pos.at90 input[name=value]").tap()
    with entry.expect_response(re.compile("/reading/")):
        press(entry, [".", "0", "0", "1", "next"])
    assert Reading.objects.get(angle_deg=90).value_um == pytest.approx(25.4)  # NIST SP 811
    assert Reading.objects.get(angle_deg=0).value_um == 50.0


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size['width']}x{size['height']}")
def test_who_types_learns_at_once_that_another_person_ended_the_lockout(entry, size):
    """Return to service by somebody else: said in the lockout's own place, with the pad where it was and in use."""
    entry.set_viewport_size(size)
    entry.locator(".pos.at0 input[name=value]").tap()
    press(entry, "4")
    place = entry.locator("#lockout-now")
    expect(place).to_contain_text("Locked out until")
    before = entry.locator('.pad [data-key="next"]').evaluate(MIDDLE)
    Lockout.objects.update(ended_at=timezone.now(), ended_how="returned")
    expect(place).to_contain_text("The machine was returned to service: verify a new lockout.", timeout=8_000)
    expect(place.get_by_role("alert")).to_contain_text("Keep clear")
    assert entry.locator('.pad [data-key="next"]').evaluate(MIDDLE) == pytest.approx(before, abs=0.5)
    expect(entry.locator(".pos.at0 input[name=value]")).to_be_focused()
    press(entry, "2")
    expect(entry.locator(".pos.at0 input[name=value]")).to_have_value("42")
    box, pad = place.bounding_box(), entry.locator(".pad").bounding_box()
    assert box["y"] + box["height"] <= pad["y"] or pad["y"] + pad["height"] <= box["y"], "it covers no key"
    Lockout.objects.update(ended_at=None, ended_how="")
    expect(place).to_contain_text("Locked out until", timeout=8_000)


def test_a_hidden_page_asks_nothing_of_the_lockout_and_a_known_one_is_answered_by_nothing(entry):
    asked = []
    entry.on("response", lambda answer: asked.append(answer.status) if "/lockout/now/" in answer.url else None)
    entry.wait_for_timeout(6_000)
    assert asked
    assert set(asked) == {304}
    entry.evaluate("Object.defineProperty(document, 'hidden', { configurable: true, get: () => true })")
    entry.wait_for_timeout(500)
    asked.clear()
    entry.wait_for_timeout(6_000)
    assert asked == []
