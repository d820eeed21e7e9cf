"""What waits can be withdrawn or corrected by its person; what was refused stands where it belongs alone."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from linelog.alignment.models import MoveMade, Reading, StationNote
from tests.browser.offline.tablet import BACK, all_is_sent, bar, is_saved, stored, type_in


def line(page, words: str):
    return bar(page).locator("li", has_text=words)


def test_a_reading_a_note_and_a_move_are_withdrawn_and_corrected_before_they_are_sent(entry, context):
    type_in(entry, 0, "0.01")
    expect(entry.locator(".pos.at0 .tick")).to_be_visible()
    context.set_offline(True)
    for angle, text in ((0, "0.03"), (90, "0.05"), (180, "1.2")):
        type_in(entry, angle, text)
    entry.get_by_text("Log another move").tap()
    for words in ("wedge eased", "bolt tight"):
        entry.get_by_label("Anything else, in words").fill(words)
        entry.locator(".mover").last.get_by_role("button", name="Log it").tap()
        expect(entry.locator("#moves .unsent-list")).to_contain_text(words)
    entry.locator("#id_note").fill("looks worn")
    entry.get_by_role("button", name="Save the note").tap()
    expect(bar(entry)).to_contain_text("6 not on the server yet")
    bar(entry).get_by_text("Show what").tap()
    line(entry, "12 o'clock: 0.03").get_by_role("button", name="Withdraw").tap()
    expect(entry.locator(".pos.at0 input[name=value]")).to_have_value("0.01")
    line(entry, "6 o'clock: 1.2").get_by_role("button", name="Correct").tap()
    form = line(entry, "6 o'clock").locator("form")
    form.get_by_role("textbox").fill("0.12")
    form.get_by_role("button", name="Use the correction").tap()
    expect(entry.locator(".pos.at180 input[name=value]")).to_have_value("0.12")
    line(entry, "wedge eased").get_by_role("button", name="Withdraw").tap()
    expect(line(entry, "wedge eased")).to_have_count(0)
    line(entry, "looks worn").get_by_role("button", name="Correct").tap()
    line(entry, "note").get_by_role("textbox").fill("looks new")
    line(entry, "note").get_by_role("button", name="Use the correction").tap()
    expect(entry.locator("#id_note")).to_have_value("looks new")
    expect(bar(entry)).to_contain_text("4 not on the server yet")
    entry.reload()
    expect(entry.locator(".pos.at180 input[name=value]")).to_have_value("0.12")
    context.set_offline(False)
    all_is_sent(entry)
    assert stored() == {0.0: "0.01", 90.0: "0.05", 180.0: "0.12"}
    assert Reading.objects.get(angle_deg=0).version == 1
    assert list(MoveMade.objects.values_list("words", flat=True)) == ["bolt tight"]
    assert StationNote.objects.get().note == "looks new"


@pytest.mark.parametrize("is_cut", [False, True], ids=["answer lost", "network gone meanwhile"])
def test_what_may_be_on_the_server_already_is_not_withdrawn(entry, context, is_cut):
    def lose(route) -> None:
        route.fetch()
        context.set_offline(is_cut)
        route.abort()

    context.route(re.compile("/reading/"), lose)
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("1 not on the server yet: no connection", timeout=BACK)
    bar(entry).get_by_text("Show what").tap()
    expect(line(entry, "3 o'clock")).to_contain_text("whether it is stored is known when it is back")
    expect(line(entry, "3 o'clock").get_by_role("button")).to_have_count(0)
    context.unroute(re.compile("/reading/"))
    context.set_offline(False)
    is_saved(entry)
    assert stored() == {90.0: "0.05"}


@pytest.fixture
def refused(entry, context):
    """A move that the server refused."""
    context.route(
        re.compile("/moves/"),
        lambda route: route.fulfill(status=422, body='<section id="moves"><p class="wrong">Not so.</p></section>'),
    )
    entry.get_by_text("Log another move").tap()
    entry.get_by_label("Anything else, in words").fill("wedge eased")
    entry.locator(".mover").last.get_by_role("button", name="Log it").tap()
    expect(bar(entry).locator(".decision")).to_contain_text("Not so.", timeout=BACK)
    context.unroute(re.compile("/moves/"))
    return entry


def test_a_refused_one_stands_on_its_own_and_its_visits_page_alone(refused, visit, machine, live_server):
    box = bar(refused).locator(".decision")
    refused.goto(f"{live_server.url}/visits/{visit.pk}/")
    expect(box).to_contain_text("wedge eased")
    other = machine.stations.exclude(kind="domer").first()
    for near in (f"/visits/{visit.pk}/stations/{other.pk}/", f"/machines/{machine.pk}/"):
        refused.goto(live_server.url + near)
        expect(bar(refused)).to_contain_text("Not stored: Domer: move")
        expect(box).to_have_count(0)
    for elsewhere in ("/", "/counts/", "/visits/"):
        refused.goto(live_server.url + elsewhere)
        refused.wait_for_load_state("networkidle")
        expect(bar(refused)).to_be_hidden()
    refused.goto(f"{live_server.url}/visits/{visit.pk}/")
    box.get_by_role("button", name="Correct it").tap()
    box.get_by_role("textbox").fill("wedge eased by hand")
    box.get_by_role("button", name="Use the correction").tap()
    expect(box).to_have_count(0)
    all_is_sent(refused)
    assert MoveMade.objects.get().words == "wedge eased by hand"


def test_no_bar_covers_a_form_or_the_pad(refused):
    """Wherever the page is scrolled to, what stands at a field or a button is that field or button."""
    covered = refused.evaluate(
        """() => {
            const wrong = [];
            const fields = ["input:not([type=hidden])", "button", "textarea", "select"].map((one) => `main ${one}`);
            for (const one of document.querySelectorAll(fields.join())) {
                if (!one.checkVisibility({ visibilityProperty: true })) continue;
                if (one.closest("details:not([open])")) continue;
                one.scrollIntoView({ block: "start", behavior: "instant" });
                const { left, top, width, height } = one.getBoundingClientRect();
                const at = document.elementFromPoint(left + width / 2, top + Math.min(height, 40) / 2);
                if (at && at.closest("#unsent, #trouble")) wrong.push(one.outerHTML.slice(0, 80));
            }
            return wrong;
        }"""
    )
    assert covered == []
