"""Work goes on without a connection: the network cut at each step, the page reloaded, the browser killed.

The tablet's own sum is checked against `linelog.calc.sweep`, which has its published checks in
tests/calc/test_sweep.py.
"""

from __future__ import annotations

import contextlib
import os
import random
import re
import signal
import time
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.auth.hashers import make_password
from django.contrib.staticfiles.storage import staticfiles_storage
from django.test import Client
from playwright.sync_api import BrowserContext, Error, Page, expect

from linelog.alignment.forms.sweep import SweepForm
from linelog.alignment.models import MoveMade, Reading, RunningReading, StationNote, Sweep, Visit
from linelog.alignment.on_tablet import on_tablet
from linelog.calc import sweep as calc
from linelog.calc.units import Unit, to_um
from linelog.plant.models import Plant, Station
from linelog.web.models import AuditEvent, WriteKey
from tests import factories
from tests.browser.conftest import CHROMIUM, FLAGS

OFFSET = Path(__file__).resolve().parents[2] / "static" / "alignment" / "offset.js"
BACK = 20_000  # ms; a tablet tries again after 2, 4, 8 ... s
PIN = "7294"
FOUR = {0: "0", 90: "0.05", 180: "0.12", 270: "0.07"}


@pytest.fixture
def expected_trouble():
    return ["ERR_INTERNET_DISCONNECTED", "ERR_FAILED", *(f"status of {n}" for n in (403, 409, 422, 500))]


@pytest.fixture
def machine(transactional_db):
    return factories.machine(factories.line(factories.plant(name="Test works")), mark="17")


@pytest.fixture
def mechanic(machine):
    return factories.person("mechanic", machine.line.plant, first_name="Ana", last_name="Berg")


@pytest.fixture
def visit(machine, mechanic):
    return factories.visit(machine, mechanic)


@pytest.fixture
def domer(visit, machine) -> str:
    return f"/visits/{visit.pk}/stations/{machine.stations.get(kind='domer').pk}/"


@pytest.fixture
def enter(context, live_server):
    """A function that signs a person in, without the page that asks for the password."""

    def carry(person) -> None:
        client = Client()
        client.force_login(person)
        cookies = [
            {"name": name, "value": morsel.value, "url": live_server.url} for name, morsel in client.cookies.items()
        ]
        context.add_cookies(cookies)

    return carry


def wait_until(page: Page, what: str, script: str, *given: object) -> None:
    """Wait until an asynchronous script gives true; what a page shows by itself is waited for by `expect`."""
    until = time.monotonic() + 60
    is_so = False
    while not is_so:
        with contextlib.suppress(Error):  # a page that is just being replaced answers nothing
            is_so = page.evaluate(script, list(given))
        assert time.monotonic() < until, f"not so in a minute: {what}"
        page.wait_for_timeout(50)


def wait_until_kept(page: Page, path: str) -> None:
    """Wait until the worker has the page and the last script of every entry screen."""
    script = "async (paths) => (await Promise.all(paths.map((path) => caches.match(path)))).every(Boolean)"
    wait_until(page, f"{path} is kept", script, path, "/static/alignment/unsent.js")


def all_is_sent(page: Page) -> None:
    """Wait until the server has taken all that the tablet kept."""
    script = "async () => (await linelog.store.all()).every((write) => write.state === 'sent')"
    wait_until(page, "all is sent", script)


@pytest.fixture
def entry(page: Page, enter, mechanic, visit, domer, live_server) -> Page:
    """The entry screen of a person whose tablet has kept it."""
    enter(mechanic)
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    return page


def type_in(page: Page, angle: int, text: str) -> None:
    """Type into the field at an angle and leave it with Next, as the pad does."""
    field = page.locator(f".pos.at{angle} input[name=value]")
    field.tap()
    field.fill(text)
    page.locator('.pad [data-key="next"]').tap()


def bar(page: Page):
    return page.locator("#unsent")


def is_saved(page: Page) -> None:
    expect(bar(page)).to_contain_text("All saved", timeout=BACK)


def stored() -> dict[float, str]:
    return dict(Reading.objects.values_list("angle_deg", "typed"))


# The network cut at each step


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
    Visit.objects.update(lockout_verified_by="", lockout_verified_at=None)
    enter(mechanic)
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    context.set_offline(True)
    expect(page.locator(".pad")).to_be_hidden()
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
    for value in (offset.x, offset.y):
        expect(page.locator(".on-tablet")).to_contain_text(f"{value / 1000:+.3f} mm".replace("-", "−"))
    page.reload()
    expect(page.locator(".pos.at45 input[name=value]")).to_have_value("0.034")
    context.set_offline(False)
    all_is_sent(page)
    expect(page.locator("#result")).to_contain_text(f"{offset.x / 1000:+.3f}".replace("-", "−"))
    assert (Sweep.objects.get().positions, Sweep.objects.get().view) == (8, "domer")
    assert len(stored()) == 8
    assert Visit.objects.get().lockout_verified_by == "Ana Berg"


def test_cut_at_the_signature_it_is_said_and_nothing_on_the_page_is_lost(entry, context, visit, live_server):
    path = f"/visits/{visit.pk}/"
    entry.goto(live_server.url + path)
    wait_until_kept(entry, path)
    caption = entry.locator("[name=caption]")
    caption.fill("the worn wedge")
    context.set_offline(True)
    entry.get_by_role("button", name="Sign and close").tap()
    expect(entry.locator("#trouble")).to_contain_text("The server did not answer: what you sent stays on this page")
    expect(caption).to_have_value("the worn wedge")
    expect(entry.get_by_role("button", name="Sign and close")).to_be_enabled()
    assert Visit.objects.get().is_open
    context.set_offline(False)
    entry.get_by_role("button", name="Sign and close").tap()
    expect(entry.locator(".wrong").first).to_contain_text("Nothing was measured")


def test_a_visit_keeps_all_its_stations_and_anything_else_says_that_it_cannot_open(
    page, context, enter, mechanic, visit, live_server
):
    visit.machine.stations.exclude(kind__in=["domer", "tool_pack"]).delete()
    enter(mechanic)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    wanted = page.locator("[data-keep]").get_attribute("data-keep").split(" ")
    wait_until_kept(page, wanted[-1])
    context.set_offline(True)
    page.get_by_role("link", name="Domer").tap()
    page.get_by_role("navigation", name="Stage").get_by_role("link", name="As left").tap()
    expect(page.locator(".pad")).to_be_visible()
    page.goto(live_server.url + wanted[-1])
    expect(page.locator("#screen")).to_be_visible()
    page.goto(f"{live_server.url}/counts/")
    expect(page.get_by_role("heading", name="No connection")).to_be_visible()
    expect(page.locator("#kept").get_by_role("link")).to_have_count(1 + visit.machine.stations.count())


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


# Killed


def launch(playwright, folder: Path) -> BrowserContext:
    return playwright.chromium.launch_persistent_context(
        str(folder), executable_path=CHROMIUM, args=list(FLAGS), has_touch=True, locale="en-GB"
    )


def kill(folder: Path) -> None:
    """Kill every process of the browser that works in this folder, as a flat battery would."""
    own = f"--user-data-dir={folder}".encode()
    for process in Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError):
            if own in (process / "cmdline").read_bytes().split(b"\0"):
                os.kill(int(process.name), signal.SIGKILL)


def test_the_browser_is_killed_and_opened_again_without_a_network(playwright, tmp_path, live_server, mechanic, domer):
    context = launch(playwright, tmp_path)
    page = context.new_page()
    page.goto(f"{live_server.url}/sign-in/")
    page.locator("input[name=username]").fill(mechanic.username)
    page.locator("input[name=password]").fill(factories.PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_load_state()
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    context.close()  # the day before: a browser writes its cookies and its list of stores down within half a minute

    context = launch(playwright, tmp_path)
    page = context.new_page()
    context.set_offline(True)
    page.goto(live_server.url + domer)
    type_in(page, 90, "0.05")
    expect(page.locator(".pos.at90 .unsent")).to_be_visible()
    kill(tmp_path)
    with contextlib.suppress(Exception):
        context.close()

    context = launch(playwright, tmp_path)
    context.set_offline(True)
    page = context.new_page()
    page.goto(f"{live_server.url}/machines/1/")
    expect(page.get_by_role("heading", name="No connection")).to_be_visible()
    expect(bar(page)).to_contain_text("1 of Ana Berg not on the server yet")
    page.locator("#kept").get_by_role("link").first.click()
    expect(page.locator(".pos.at90 input[name=value]")).to_have_value("0.05")
    assert stored() == {}
    context.set_offline(False)
    expect(page.locator(".pos.at90 .tick")).to_be_visible(timeout=BACK)
    assert stored() == {90.0: "0.05"}
    assert Reading.objects.get().by == mechanic
    context.close()


# Answers that get lost, servers that break


def test_an_answer_lost_on_its_way_is_asked_for_again_and_stored_once(entry, context):
    lost = []

    def lose(route) -> None:
        route.fetch()  # the server has it; the tablet never hears
        lost.append(route.request.headers["x-write-key"])
        route.abort()

    context.route(re.compile("/reading/"), lose)
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("1 not on the server yet: no connection", timeout=BACK)
    assert stored() == {90.0: "0.05"}
    context.unroute(re.compile("/reading/"))
    is_saved(entry)
    assert Reading.objects.get().version == 1
    assert list(WriteKey.objects.values_list("key", flat=True)) == [lost[0]]
    assert AuditEvent.objects.filter(action="typed reading").count() == 1


def test_a_server_that_breaks_and_a_page_of_something_in_between_lose_nothing(entry, context):
    answers = [{"status": 500, "body": "broken"}, {"status": 200, "body": "<h1>Pay for the Wi-Fi</h1>"}]
    context.route(re.compile("/reading/"), lambda route: route.fulfill(**answers.pop(0)), times=2)
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("the server does not answer as it should", timeout=BACK)
    assert stored() == {}
    is_saved(entry)
    assert answers == []
    assert stored() == {90.0: "0.05"}


def test_a_stale_token_is_replaced_by_itself(entry):
    def stale(route) -> None:
        route.continue_(headers={**route.request.headers, "x-csrftoken": "x" * 64})

    entry.route(re.compile("/reading/"), stale, times=1)
    type_in(entry, 90, "0.05")
    expect(entry.locator(".pos.at90 .tick")).to_be_visible(timeout=BACK)
    assert stored() == {90.0: "0.05"}


# Two versions


def test_a_conflict_stands_side_by_side_keeps_both_and_the_rest_goes_on(entry, context, machine, visit, domer):
    context.set_offline(True)
    for angle, text in FOUR.items():
        type_in(entry, angle, text)
    entry.locator("#id_note").fill("mine")
    entry.get_by_role("button", name="Save the note").tap()
    expect(bar(entry)).to_contain_text("5 not on the server yet")
    other = factories.person("mechanic", machine.line.plant, first_name="Bo", last_name="Lind")
    station = machine.stations.get(kind="domer")
    swept = visit.sweeps.create(station=station, stage="as_found")
    Reading.objects.create(
        sweep=swept, repeat=1, angle_deg=90, value_um=90, typed="0.09", unit="mm", by=other, at=factories.NOW
    )
    StationNote.objects.create(visit=visit, station=station, note="theirs")
    context.set_offline(False)
    choice = bar(entry).locator(".decision")
    expect(choice).to_have_count(2, timeout=BACK)
    expect(choice.first.locator("dd")).to_have_text(["0.05 mm", "0.09 mm, Bo Lind"])
    expect(choice.last.locator("dd")).to_have_text(["mine", "theirs"])
    expect(entry.locator(".pos .tick")).to_have_count(3)
    assert stored() == {0.0: "0", 90.0: "0.09", 180.0: "0.12", 270.0: "0.07"}
    assert Axe().run(entry).response["violations"] == []
    entry.reload()
    expect(choice).to_have_count(2)
    expect(entry.locator(".pos.at90 input[name=value]")).to_have_value("0.05")
    choice.first.get_by_role("button", name="Put mine in its place").tap()
    expect(choice).to_have_count(1)
    expect(entry.locator(".pos.at90 .tick")).to_be_visible()
    choice.get_by_role("button", name="Keep theirs").tap()
    expect(entry.locator("#id_note")).to_have_value("theirs")
    expect(bar(entry)).to_be_hidden()
    assert stored()[90.0] == "0.05"
    assert AuditEvent.objects.filter(action="changed reading", before__typed="0.09").exists(), "theirs is kept"


def test_two_tabs_of_one_tablet_show_each_others_readings_and_overwrite_none_unseen(
    entry, context, domer, live_server
):
    other = context.new_page()
    other.goto(live_server.url + domer)
    field = other.locator(".pos.at90 input[name=value]")
    field.fill("0.07")  # begun, not left yet
    type_in(entry, 0, "0.01")
    expect(other.locator(".pos.at0 input[name=value]")).to_have_value("0.01")
    type_in(entry, 90, "0.05")
    expect(entry.locator(".pos.at90 .tick")).to_be_visible()
    field.press("Enter")
    expect(other.locator(".pos.at90 .wrong")).to_contain_text("typed 0.05 mm here meanwhile")
    expect(bar(entry).locator("dd")).to_have_text(["0.07 mm", "0.05 mm, Ana Berg"])
    assert stored() == {0.0: "0.01", 90.0: "0.05"}


# Who typed it


def test_leaving_warns_and_nobody_else_sends_it(entry, context, machine, domer, enter, mechanic, live_server):
    context.route(re.compile("/reading/"), lambda route: route.abort())
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("1 not on the server yet: no connection")
    entry.get_by_role("button", name="Sign out").tap()
    dialog = entry.get_by_role("dialog")
    expect(dialog).to_contain_text("One thing you typed is only on this tablet")
    dialog.get_by_role("button", name="Stay").tap()
    expect(entry.locator(".pos.at90 input[name=value]")).to_have_value("0.05")
    entry.get_by_role("button", name="Sign out").tap()
    dialog.get_by_role("button", name="Leave all the same").tap()
    expect(entry.get_by_role("heading", name="Sign in")).to_be_visible()
    assert not entry.evaluate("async (path) => Boolean(await caches.match(path))", domer)
    context.unroute(re.compile("/reading/"))

    enter(factories.person("mechanic", machine.line.plant))
    entry.goto(live_server.url + domer)
    expect(bar(entry)).to_contain_text("1 kept for Ana Berg: sent when Ana Berg signs in on this tablet")
    type_in(entry, 0, "0.01")
    expect(entry.locator(".pos.at0 .tick")).to_be_visible()
    assert stored() == {0.0: "0.01"}
    enter(mechanic)
    entry.goto(live_server.url + domer)
    expect(entry.locator(".pos.at90 .tick")).to_be_visible(timeout=BACK)
    assert Reading.objects.get(angle_deg=90).by == mechanic
    assert Reading.objects.get(angle_deg=0).by != mechanic


def test_signing_out_without_a_connection_shuts_the_pages_and_is_done_when_it_is_back(
    entry, context, domer, live_server
):
    context.set_offline(True)
    entry.get_by_role("button", name="Sign out").tap()
    dialog = entry.get_by_role("dialog")
    expect(dialog).to_contain_text("the server can't sign you out now")
    dialog.get_by_role("button", name="Leave all the same").tap()
    expect(entry.get_by_text("You are not signed out yet")).to_be_visible()
    entry.goto(live_server.url + domer)
    expect(entry.get_by_role("heading", name="No connection")).to_be_visible()
    context.set_offline(False)
    entry.goto(live_server.url + domer)
    expect(entry.get_by_role("heading", name="Sign in")).to_be_visible(timeout=BACK)


def test_a_session_that_is_over_asks_to_sign_in_and_keeps_what_was_typed(
    entry, context, enter, mechanic, domer, live_server
):
    context.clear_cookies()
    type_in(entry, 90, "0.05")
    expect(bar(entry)).to_contain_text("sign in again to send it", timeout=BACK)
    expect(bar(entry).get_by_role("link", name="Sign in")).to_be_visible()
    assert stored() == {}
    enter(mechanic)
    entry.goto(live_server.url + domer)
    expect(entry.locator(".pos.at90 .tick")).to_be_visible(timeout=BACK)
    assert stored() == {90.0: "0.05"}


def take_over(page: Page, name: str) -> None:
    page.get_by_role("link", name=name).tap()
    page.get_by_label("PIN").fill(PIN)
    page.get_by_role("button", name="Go").tap()
    expect(page.locator("header")).to_contain_text(name)


def test_on_a_shared_tablet_each_ones_readings_wait_for_their_own_pin(
    page, context, machine, mechanic, domer, live_server
):
    plant = machine.line.plant
    account = factories.person("viewer", plant)
    ana = mechanic
    bo = factories.person("mechanic", plant, first_name="Bo", last_name="Lind", pin_hash=make_password(PIN))
    type(ana).objects.filter(pk=ana.pk).update(pin_hash=make_password(PIN))
    page.goto(f"{live_server.url}/sign-in/")
    page.get_by_label("Username").fill(account.username)
    page.get_by_label("Password").fill(factories.PASSWORD)
    page.get_by_label("This is a shared tablet").check()
    page.get_by_role("button", name="Sign in").click()
    take_over(page, "Ana Berg")
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    context.route(re.compile("/reading/"), lambda route: route.abort())
    type_in(page, 90, "0.05")
    expect(bar(page)).to_contain_text("1 not on the server yet: no connection")
    page.get_by_role("button", name="Hand over").tap()
    page.get_by_role("button", name="Leave all the same").tap()
    expect(bar(page)).to_contain_text("1 kept for Ana Berg")
    context.unroute(re.compile("/reading/"))
    assert not page.evaluate("async (path) => Boolean(await caches.match(path))", domer)

    take_over(page, "Bo Lind")
    page.goto(live_server.url + domer)
    type_in(page, 0, "0.01")
    expect(page.locator(".pos.at0 .tick")).to_be_visible()
    page.get_by_role("button", name="Hand over").tap()
    take_over(page, "Ana Berg")
    expect(bar(page)).not_to_contain_text("not on the server", timeout=BACK)
    all_is_sent(page)
    assert {r.angle_deg: r.by for r in Reading.objects.select_related("by")} == {0.0: bo, 90.0: ana}

    # Left lying for the tablet's time, what it kept opens no more, also without a server to ask.
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    context.set_offline(True)
    page.goto(live_server.url + domer)
    expect(page.locator("#screen")).to_be_visible()
    page.evaluate(
        """async () => {
            const store = await caches.open((await caches.keys()).find((name) => name.startsWith('about-')));
            const facts = await (await store.match('/about')).json();
            facts.seen -= facts.seconds * 1000 + 1;
            await store.put('/about', new Response(JSON.stringify(facts)));
        }"""
    )
    page.goto(live_server.url + domer)
    expect(page.get_by_role("heading", name="No connection")).to_be_visible()
    expect(page.locator("#kept")).to_be_hidden()


def test_a_new_release_empties_the_stores_of_the_one_before(entry, domer, monkeypatch):
    type_in(entry, 90, "0.05")
    expect(entry.locator(".pos.at90 .tick")).to_be_visible()
    before = entry.evaluate("() => caches.keys()")
    assert {name.split("-", 1)[1] for name in before} == {"unmarked"}
    monkeypatch.setattr(staticfiles_storage, "manifest_hash", "nextrelease", raising=False)
    entry.evaluate("async () => { await (await navigator.serviceWorker.getRegistration()).update(); }")
    script = "async () => (await caches.keys()).every((name) => name.endsWith('-nextrelease'))"
    wait_until(entry, "the old stores are gone", script)
    entry.reload()
    wait_until_kept(entry, domer)


# The sum


SURFACES = [(c, s) for c in calc.Carrier for s in calc.Surface if (c.value, s.value) != ("component", "bore")]


SUMS = """(all) => all.map(({ typed, angles, setup: given, form }) => {
    const setup = form ? linelog.setupWith(given, new URLSearchParams(form)) : given;
    const per = linelog.units[setup.unit].um;
    const readings = typed.map((text, n) => ({ angle: angles[n], um: linelog.parseNumber(text) * per }));
    const at = (angle) => (readings.find((one) => one.angle === angle) || { um: NaN }).um;
    return { ...linelog.offset(readings, setup), closure: linelog.closure(at, setup) };
})"""


def any_set_up(chance: random.Random):
    """A set-up as the form sends it, as `calc` takes it, and as the server tells it to the tablet."""
    carrier, surface = chance.choice(SURFACES)
    unit, sag = chance.choice(list(Unit)), chance.choice([0.0, round(chance.uniform(0, 120), 1)])
    said_in = chance.choice(list(Unit))  # a dial in inches may be set up on a page that speaks of mm
    form = {
        "unit": unit.value,
        "lengths_in": said_in.value,
        "positions": str(chance.choice([4, 4, 4, 6, 8, 12])),
        "touches": f"{carrier.value}-{surface.value}",
        "view": chance.choice(["crank", "domer"]),
        "resolution": f"{10 / said_in.um:.6f}",
        "sag": f"{sag / said_in.um:.6f}",
        "sag_is": chance.choice(["indicated", "droop"]),
    }
    if chance.random() < 0.5:
        form["plunger_reversed"] = "on"
    bound = SweepForm(form, kind="rim", unit=unit)
    assert bound.is_valid(), bound.errors
    choice = bound.choice()
    swept = Sweep(kind="rim", **{name: getattr(choice, name) for name in choice.__dataclass_fields__})
    setup = calc.SweepSetup(
        surface=surface,
        carrier=carrier,
        view=calc.View(form["view"]),
        plunger_reversed="plunger_reversed" in form,
        sag_indicated_um=choice.sag_um,
    )
    return form, setup, on_tablet(swept, Station(limit_um=25.0), Plant(), Unit.MM)


def test_the_tablets_sum_is_that_of_the_server(page):
    """Derived: both reduce R(t) = c + g(x sin t + y cos t) + sag(t); at equal steps the fit has a closed form."""
    chance = random.Random(4)
    page.evaluate("window.linelog = {}")
    page.add_script_tag(path=OFFSET)
    sent, wanted = [], []
    for number in range(400):
        form, setup, says = any_set_up(chance)
        unit, count = Unit(form["unit"]), int(form["positions"])
        angles = [360.0 * n / count for n in range(count)]
        typed = [f"{chance.uniform(-900, 900) / unit.um:.6f}" for _ in angles]
        swept = calc.Sweep(tuple(angles), tuple(to_um(float(text), unit) for text in typed))
        wanted.append((form, calc.reduce_sweep(setup, [swept])))
        if number % 2:  # the same set-up, chosen on the tablet over another one
            says |= {"gain": -says["gain"], "sag": 7, "view": "crank", "reversed": False, "unit": "um"}
        comma = [text.replace(".", chance.choice(".,")) for text in typed]
        sent.append({"typed": comma, "angles": angles, "setup": says, "form": form if number % 2 else None})
    for (form, result), there in zip(wanted, page.evaluate(SUMS, sent), strict=True):
        assert (there["x"], there["y"]) == pytest.approx((result.offset.x, result.offset.y), abs=1e-3), form
        if form["positions"] == "4":
            assert there["closure"] == pytest.approx(result.quality.closure_um, abs=1e-3), form


def test_the_tablet_reads_numbers_as_the_server_does(page):
    page.evaluate("window.linelog = {}")
    page.add_script_tag(path=OFFSET)
    for text, number in {"0,05": 0.05, "−.5": -0.5, "+1.": 1.0, " 12 ": 12.0}.items():
        assert page.evaluate("(text) => linelog.parseNumber(text)", text) == number
    for text in ("", "-", "1.2.3", "1e3", "Infinity"):
        assert page.evaluate("(text) => String(linelog.parseNumber(text))", text) == "NaN"
    units = page.evaluate("() => linelog.units")
    assert units == {u.value: {"um": u.um, "decimals": u.decimals, "label": u.label} for u in Unit}
