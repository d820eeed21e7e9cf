"""How many taps a sweep takes, and that a keyboard or an indicator that types as one does without any."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from linelog.alignment.models import Reading
from linelog.plant.models import Plant
from tests import factories

SETTLED = 15_000


@pytest.fixture
def visit(transactional_db):
    machine = factories.machine(factories.line(factories.plant(types_thousandths=True)))
    return factories.visit(machine, factories.person("mechanic", machine.line.plant, username="ana"))


@pytest.fixture
def entry(sign_in, visit, live_server) -> Page:
    page = sign_in(visit.opened_by)
    page.goto(f"{live_server.url}/visits/{visit.pk}/stations/{visit.machine.stations.get(kind='domer').pk}/")
    return page


def stored() -> list[str]:
    rows = Reading.objects.order_by("is_return", "angle_deg")
    return list(rows.values_list("typed", flat=True))


def tap(page: Page, keys: str) -> int:
    """Tap keys of the pad, N for Next; return how many."""
    for key in keys:
        page.locator(f'.pad [data-key="{"next" if key == "N" else key}"]').tap()
    return len(keys)


@pytest.mark.parametrize(
    ("positions", "keys", "most"), [(4, "0N52N12N67N10N", 14), (8, "0N18N52N93N12N10N68N31N10N", 26)]
)
def test_a_sweep_takes_few_taps(entry, visit, positions, keys, most):
    """The goal is the plant's own: thousandths without a sign, two digits, 12 zeroed, the return included."""
    if positions == 8:
        entry.locator("#id_positions").evaluate("(field) => { field.value = '8'; field.form.requestSubmit(); }")
        expect(entry.locator(".pos")).to_have_count(9)
        entry.reload()
    assert tap(entry, keys) <= most
    expect(entry.locator(".pos .tick")).to_have_count(positions + 1, timeout=SETTLED)
    wanted = [f"0.0{pair}" if pair != "0" else "0" for pair in keys.strip("N").split("N")]
    assert stored() == wanted
    expect(entry.locator(".pos.at90 input[name=value]")).to_have_value(wanted[positions // 4])


def test_after_the_last_reading_nothing_is_typed_over_and_one_tap_leads_to_as_left(entry):
    tap(entry, "0N52N12N67N10N")
    tap(entry, "9")  # falls on no field
    expect(entry.locator(".pos.at0 input[name=value]")).to_have_value("0")
    expect(entry.locator(".pos.here")).to_have_count(0)
    entry.get_by_role("link", name="Sweep as left").tap()
    expect(entry.get_by_label("Stage").get_by_text("As left")).to_have_attribute("aria-current", "true")
    assert stored() == ["0", "0.052", "0.012", "0.067", "0.010"]


def test_an_indicator_that_types_needs_no_tap_and_moves_on_in_every_form(entry, visit):
    """Digits, sign, Enter, as a keyboard sends them; a point means the whole unit."""
    Plant.objects.update(types_thousandths=False)
    entry.reload()
    for text in ("0", "-0.052", "+0.012", "0.067", "0.010"):
        entry.keyboard.type(text)
        entry.keyboard.press("Enter")
    entry.keyboard.type("7")
    entry.keyboard.press("Enter")
    expect(entry.locator(".pos .tick")).to_have_count(5, timeout=SETTLED)
    assert stored() == ["0", "-0.052", "+0.012", "0.067", "0.010"]
    entry.locator(".pos.at90 input[name=value]").tap()
    entry.evaluate("() => document.activeElement.blur()")
    entry.keyboard.type("9")  # into no field: it changes none
    expect(entry.locator(".pos.at90 input[name=value]")).to_have_value("-0.052")
    entry.get_by_text("Type in a running value").tap()
    entry.locator("#running [name=x]").focus()
    entry.locator("#running [name=x]").fill("")
    for text in ("0.01", "0.02", "0.004", "80"):
        entry.keyboard.type(text)
        entry.keyboard.press("Enter")
    expect(entry.locator("#running")).to_contain_text("80 strokes", timeout=SETTLED)


def left(visit, year: int, view: str) -> None:
    """A signed visit of that year at which the domer was left, read from one end."""
    before = factories.visit(visit.machine, visit.opened_by, state="dropped", dropped_why="to be signed")
    station = visit.machine.stations.get(kind="domer")
    swept = before.sweeps.create(
        station=station, stage="as_left", view=view, surface=station.surface, carrier=station.carrier
    )
    for angle, text in ((0, "0"), (90, "0.021")):
        um = float(text) * 1000
        swept.readings.create(
            repeat=1, angle_deg=angle, value_um=um, typed=text, unit="mm", by=visit.opened_by, at=factories.NOW
        )
    facts = {"signed_by": visit.opened_by, "signed_at": factories.NOW, "opened_at": factories.NOW.replace(year=year)}
    type(before).objects.filter(pk=before.pk).update(state="signed", dropped_why="", **facts)


def test_what_stood_there_when_it_was_left_last_time_stands_beside_the_fields(entry, visit):
    """Read from the other end, 3 and 9 are each other's."""
    here = visit.machine.stations.get(kind="domer").view
    left(visit, 2020, here)
    visit.sweeps.create(station=visit.machine.stations.get(kind="domer"), stage="as_found", view=here)
    entry.reload()
    expect(entry.locator(".pos.at90 .last")).to_have_text("as left last time was 0.021")
    left(visit, 2021, "crank" if here == "domer" else "domer")
    entry.reload()
    expect(entry.locator(".pos.at270 .last")).to_contain_text("0.021")
    expect(entry.locator(".pos.at90 .last")).to_have_count(0)
