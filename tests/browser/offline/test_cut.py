"""Work goes on without a connection: the network cut at each step, the page reloaded."""

from __future__ import annotations

import math
import re

from playwright.sync_api import expect

from linelog.alignment.models import Lockout, MoveMade, Reading, RunningReading, StationNote, Sweep, Visit
from linelog.calc import sweep as calc
from linelog.web.models import AuditEvent
from tests.browser.offline.tablet import BACK, FOUR, all_is_sent, bar, is_saved, stored, type_in, wait_until_kept
from tests.trends import invented


def test_cut_before_the_first_reading_reloaded_and_back(entry, context):
    context.set_offline(True)
    entry.reload()
    expect(bar(entry)).to_contain_text("No connection: this page is as it was at")
    for angle, text in FOUR.items():
        type_in(entry, angle, text)
    expect(bar(entry)).to_contain_text("4 not on the server yet: no connection. Kept on this tablet")
    expect(entry.locator(".pos .unsent")).to_have_text(["◷ not sent yet"] * 4)
    tablet = entry.locator(".on-tablet")
    expect(tablet).to_contain_text("On this tablet, to be confirmed")
    for figure in ("+0.010 mm", "+0.060 mm", "0.061 mm", "Closure+0.000"):  # dx, dy, radial of a bore
        expect(tablet).to_contain_text(figure)
    height = float(re.search(r"Static target: ([0-9.]+)\smm above", entry.locator(".target").text_content() or "")[1])
    off = math.hypot(0.010, 0.060 - height)  # with the ram hanging it runs true so high above the line
    expect(tablet).to_contain_text(f"Off its static target, radial{off:.3f} mm")
    bar(entry).get_by_text("Show what").tap()
    expect(bar(entry).locator("li").first).to_contain_text("Domer, as found, bore, 12 o'clock: 0 mm")
    assert stored() == {}
    entry.reload()
    expect(entry.locator(".pos.at180 input[name=value]")).to_have_value("0.12")
    expect(bar(entry)).to_contain_text("4 not on the server yet")
    context.set_offline(False)
    expect(tablet).to_have_count(0, timeout=BACK)
    expect(entry.locator("#result")).to_contain_text("+0.060")
    expect(entry.locator(".pos .tick")).to_have_count(4)
    expect(bar(entry)).not_to_contain_text("not on the server")
    assert stored() == {float(angle): text for angle, text in FOUR.items()}


def test_cut_between_readings_everything_else_is_kept_in_its_order_and_sent(entry, context):
    type_in(entry, 0, "0.01")
    expect(entry.locator(".pos.at0 .tick")).to_be_visible()
    context.set_offline(True)
    for text in ("0.03", "0.04"):
        type_in(entry, 90, text)
    type_in(entry, 0, "0.02")
    entry.get_by_text("Log another move").tap()
    entry.get_by_label("Anything else, in words").fill("wedge eased")
    entry.locator(".mover").last.get_by_role("button", name="Log it").tap()
    expect(entry.locator("#moves .unsent-list")).to_contain_text("wedge eased")
    for text in ("first", "second"):
        entry.locator("#id_note").fill(text)
        entry.get_by_role("button", name="Save the note").tap()
    entry.get_by_text("Type in a running value").tap()
    for name, value in {"x": "0.01", "y": "0.02", "expanded": "0.004", "strokes": "80"}.items():
        entry.locator(f"#running [name={name}]").fill(value)
    entry.get_by_role("button", name="Save the running value").tap()
    expect(bar(entry)).to_contain_text("7 not on the server yet")
    entry.reload()
    expect(entry.locator(".pos.at0 input[name=value]")).to_have_value("0.02")
    expect(entry.locator("#running .unsent-list")).to_contain_text("Strokes averaged 80")
    context.set_offline(False)
    all_is_sent(entry)
    expect(entry.locator("#moves table")).to_contain_text("wedge eased")
    expect(entry.locator(".unsent-list")).to_have_count(0)
    assert stored() == {0.0: "0.02", 90.0: "0.04"}
    assert Reading.objects.get(angle_deg=90).version == 2, "both were stored, in their order"
    assert MoveMade.objects.get().words == "wedge eased"
    assert (StationNote.objects.get().note, StationNote.objects.get().version) == ("second", 3)
    assert RunningReading.objects.get().strokes == 80
    order = list(AuditEvent.objects.order_by("pk").exclude(action="signed in").values_list("action", flat=True))
    assert order == [
        *("typed reading", "typed reading", "changed reading", "changed reading", "logged move"),
        *("wrote note", "wrote note", "typed running value"),
    ]


def test_lockout_and_another_set_up_are_said_without_a_connection(
    page, context, enter, mechanic, visit, domer, live_server
):
    Lockout.objects.all().delete()
    enter(mechanic)
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    context.set_offline(True)
    expect(page.locator(".pad")).to_be_hidden()
    page.get_by_label("Lockout verified by").fill("Ana Berg")
    page.get_by_label("It was tried to start").check()
    page.get_by_role("button", name="It is locked out and verified").tap()
    expect(page.locator("#lockout .unsent-list")).to_contain_text("Ana Berg")
    page.get_by_text("Change the set-up").tap()
    page.locator("#id_positions").select_option("8")
    page.locator("#id_view").select_option("domer")
    page.get_by_role("button", name="Use this set-up").tap()
    expect(page.locator(".pos")).to_have_count(9)
    readings = [10, 34, 52, 61, 55, 29, 8, -12]  # um
    for number, um in enumerate(readings):
        type_in(page, round(45 * number), f"{um / 1000}")
    expect(bar(page)).to_contain_text("10 not on the server yet")
    setup = calc.SweepSetup(calc.Surface.BORE, view=calc.View.DOMER)
    swept = calc.Sweep(tuple(45.0 * n for n in range(8)), tuple(float(um) for um in readings))
    offset = calc.reduce_sweep(setup, [swept]).offset
    for value in (-offset.x, offset.y):  # told as seen from the domer, where it is read
        expect(page.locator(".on-tablet")).to_contain_text(f"{value / 1000:+.3f} mm".replace("-", "−"))
    page.reload()
    expect(page.locator(".pos.at45 input[name=value]")).to_have_value("0.034")
    context.set_offline(False)
    all_is_sent(page)
    expect(page.locator("#result")).to_contain_text(f"{-offset.x / 1000:+.3f}".replace("-", "−"))
    assert (Sweep.objects.get().positions, Sweep.objects.get().view) == (8, "domer")
    assert len(stored()) == 8
    assert Lockout.objects.get().verified_by == "Ana Berg"


def test_cut_at_the_signature_it_is_said_and_it_can_be_sent_again(entry, context, visit, live_server):
    domer = visit.machine.stations.get(kind="domer")
    invented.store([invented.result(visit, domer, stage, (1.0, 1.0)) for stage in ("as_found", "as_left")])
    entry.goto(f"{live_server.url}/visits/{visit.pk}/sign/")
    button = entry.get_by_role("button", name="Sign and close")
    expect(button).to_be_visible()
    context.set_offline(True)
    button.tap()
    expect(entry.locator("#trouble")).to_contain_text("The server did not answer: what you sent stays on this page")
    expect(button).to_be_enabled()
    assert Visit.objects.get().is_open
    context.set_offline(False)
    button.tap()
    expect(entry.get_by_text(re.compile("Signed by"))).to_be_visible()
    assert not Visit.objects.get().is_open


def test_a_visit_keeps_all_its_stations_and_anything_else_says_that_it_cannot_open(
    page, context, enter, mechanic, visit, live_server
):
    visit.machine.stations.exclude(kind__in=["domer", "tool_pack"]).delete()
    enter(mechanic)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    wanted = page.locator("[data-keep]").get_attribute("data-keep").split(" ")
    wait_until_kept(page, "/visits/new/")  # after all pages of the visit
    context.set_offline(True)
    page.get_by_role("link", name="Domer").tap()
    page.get_by_role("navigation", name="Stage").get_by_role("link", name="As left").tap()
    expect(page.locator(".pad")).to_be_visible()
    page.goto(live_server.url + wanted[-1])
    expect(page.locator("#screen")).to_be_visible()
    page.goto(f"{live_server.url}/counts/")
    expect(page.get_by_role("heading", name="No connection")).to_be_visible()
    others = ("the visit", "its lockout", "a visit opened without a network")
    expect(page.locator("#kept").get_by_role("link")).to_have_count(len(others) + visit.machine.stations.count())


def test_without_tls_it_works_while_the_page_is_open_and_says_so(page, context, enter, mechanic, domer, live_server):
    # What a browser leaves out on a plain http address of a local network.
    page.add_init_script(
        "delete Navigator.prototype.serviceWorker; delete Navigator.prototype.locks; delete window.caches;"
    )
    enter(mechanic)
    page.goto(live_server.url + domer)
    expect(page.get_by_text("This address has no TLS")).to_be_visible()
    context.set_offline(True)
    type_in(page, 90, "0.05")
    expect(bar(page)).to_contain_text("1 not on the server yet")
    context.set_offline(False)
    is_saved(page)
    assert stored() == {90.0: "0.05"}


def test_where_the_browser_keeps_nothing_each_writing_goes_at_once_and_still_under_a_key(
    page, enter, mechanic, domer, live_server
):
    page.add_init_script("Object.defineProperty(window, 'indexedDB', { value: undefined });")
    enter(mechanic)
    page.goto(live_server.url + domer)
    with page.expect_request(re.compile("/reading/")) as sent:
        type_in(page, 90, "0.05")
    assert re.fullmatch("[0-9a-f]{32}", sent.value.headers["x-write-key"])
    expect(page.locator(".pos.at90 .tick")).to_be_visible()
    page.get_by_text("Log another move").tap()
    page.get_by_label("Anything else, in words").fill("wedge eased")
    with page.expect_request(re.compile("/moves/")) as sent:
        page.locator(".mover").last.get_by_role("button", name="Log it").tap()
    assert re.fullmatch("[0-9a-f]{32}", sent.value.headers["x-write-key"])
    expect(page.locator("#moves table")).to_contain_text("wedge eased")
