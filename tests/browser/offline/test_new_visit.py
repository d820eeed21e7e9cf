"""A visit is opened without a network, worked in, and sent in its order once the network is back."""

from __future__ import annotations

import io
import math
import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import expect

from linelog.alignment.models import Lockout, MoveMade, Photo, Reading, StationNote, Sweep, Visit
from linelog.alignment.queries import sweeps_of
from linelog.alignment.services.results import compute_in
from linelog.web.models import AuditEvent
from tests import factories
from tests.browser.offline.tablet import (
    BACK,
    FOUR,
    all_is_sent,
    bar,
    go_to,
    open_one,
    stored,
    type_in,
    verify,
    wait_until_kept,
)


def picture() -> bytes:
    made = io.BytesIO()
    Image.new("RGB", (60, 40), "steelblue").save(made, "PNG")
    return made.getvalue()


def test_opened_swept_at_two_stations_reloaded_and_sent_in_order_under_its_person(begin, context, machine, mechanic):
    page = begin("Domer")
    for angle, text in FOUR.items():
        type_in(page, angle, text)
    expect(page.locator(".on-tablet")).to_contain_text("0.061 mm")  # as on the page of an open visit: test_cut
    page.get_by_text("Log a move").tap()
    page.get_by_label("Anything else, in words").fill("wedge eased")
    page.locator(".mover").last.get_by_role("button", name="Log it").tap()
    expect(page.locator("#moves .unsent-list")).to_contain_text("wedge eased")
    page.locator("#id_note").fill("looks worn")
    page.get_by_role("button", name="Save the note").tap()
    page.get_by_role("navigation", name="Stage").get_by_role("link", name="As left").tap()
    type_in(page, 0, "0.01")
    go_to(page, "Stripper")
    type_in(page, 90, "0.02")
    expect(bar(page)).to_contain_text("9 not on the server yet: no connection")
    page.reload()
    expect(page.locator(".pos.at90 input[name=value]")).to_have_value("0.02")
    assert not Visit.objects.exists()
    context.set_offline(False)
    all_is_sent(page)
    visit = Visit.objects.get()
    expect(page).to_have_url(re.compile(f"/visits/{visit.pk}/stations/"), timeout=BACK)
    assert (visit.reason, visit.opened_by, visit.machine) == ("tear_offs", mechanic, machine)
    assert Lockout.objects.get().verified_by == "Ana Berg"
    found = Reading.objects.filter(sweep__visit=visit, sweep__station__kind="domer", sweep__stage="as_found")
    assert dict(found.values_list("angle_deg", "typed")) == {float(angle): text for angle, text in FOUR.items()}
    assert set(Reading.objects.values_list("by", flat=True)) == {mechanic.pk}
    assert (MoveMade.objects.get().words, StationNote.objects.get().note) == ("wedge eased", "looks worn")
    order = list(AuditEvent.objects.order_by("pk").exclude(action="signed in").values_list("action", flat=True))
    assert order == [
        *("opened visit", "verified lockout", *["typed reading"] * 4, "logged move", "wrote note"),
        *["typed reading"] * 2,
    ]
    expect(page.locator(".pos.at90 .tick")).to_be_visible()


def test_the_lockout_a_face_with_its_question_and_a_photo_follow_their_visit(begin, context, live_server):
    page = begin("Domer", locked_out=False)
    expect(page.locator("#clock .pad")).to_be_hidden()
    verify(page)
    expect(page.locator("#clock .pad")).to_be_visible()
    page.get_by_role("navigation", name="What is swept").get_by_role("link", name="Face").tap()
    expect(page.locator("#clock .pad")).to_be_visible()
    page.get_by_label("toward the crank").check()
    page.get_by_role("button", name="Use this set-up").tap()
    for angle, text in FOUR.items():
        type_in(page, angle, text)
    expect(page.locator(".on-tablet")).to_contain_text("worked out when the network is back")
    page.locator("#photos input[type=file]").set_input_files(
        {"name": "worn.png", "mimeType": "image/png", "buffer": picture()}
    )
    page.get_by_label("Caption").fill("worn seat")
    page.get_by_role("button", name="Add the photo").tap()
    expect(page.locator("#photos")).to_contain_text("not sent yet: worn seat, worn.png")
    page.reload()
    expect(page.locator("#photos img")).to_be_visible()
    context.set_offline(False)
    all_is_sent(page)
    visit = Visit.objects.get()
    swept = Sweep.objects.get()
    assert (swept.kind, swept.facing, swept.readings.count()) == ("face", "crank", 4)
    found = compute_in(visit, swept.station, "as_found", sweeps_of(visit))
    # Half the differences of what stands opposite, over the radius: (0.12, 0.02) mm / (2 r).
    assert found.tilt.size == pytest.approx(1000.0 * math.hypot(0.06, 0.01) / swept.face_radius_mm)
    photo = Photo.objects.get()
    assert (photo.visit, photo.caption, photo.width) == (visit, "worn seat", 60)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    expect(page.locator("#photos-kept img")).to_have_count(1)


def test_where_somebody_opened_one_meanwhile_its_person_says_where_the_readings_go(begin, context, machine, mechanic):
    page = begin("Domer")
    type_in(page, 90, "0.05")
    other = factories.visit(
        machine, factories.person("mechanic", machine.line.plant, first_name="Bo", last_name="Lind")
    )
    context.set_offline(False)
    box = bar(page).locator(".decision")
    expect(box).to_contain_text("was opened meanwhile", timeout=BACK)
    expect(box).to_contain_text("Bo Lind")
    expect(bar(page)).to_contain_text("1 waits for a visit that the server did not open")
    assert stored() == {}
    box.get_by_role("button", name="Let mine go").tap()
    expect(box).to_contain_text("withdraw that first")
    box.get_by_role("button", name="Go on in that visit").tap()
    expect(page).to_have_url(re.compile(f"/visits/{other.pk}/stations/"), timeout=BACK)
    all_is_sent(page)
    assert Visit.objects.get() == other
    assert stored() == {90.0: "0.05"}


def test_both_its_pages_are_accessible(at_machines, context, machine, live_server):
    page = at_machines
    context.set_offline(True)
    page.goto(f"{live_server.url}/visits/open/{machine.pk}/")
    assert Axe().run(page).response["violations"] == []
    open_one(page, machine, live_server, locked_out=False)
    for station in ("Domer", "Rear bushing"):
        go_to(page, station)
        assert Axe().run(page).response["violations"] == []


def test_a_visit_is_withdrawn_only_after_what_waits_in_it(begin, context, live_server):
    page = begin("Domer")
    type_in(page, 90, "0.05")
    bar(page).get_by_text("Show what").tap()
    lines = bar(page).locator("li")
    lines.first.get_by_role("button", name="Withdraw").tap()
    expect(lines.first).to_contain_text("withdraw that first")
    lines.last.get_by_role("button", name="Withdraw").tap()
    expect(lines).to_have_count(1)
    lines.first.get_by_role("button", name="Withdraw").tap()
    expect(lines).to_have_count(0)
    context.set_offline(False)
    page.goto(f"{live_server.url}/")
    all_is_sent(page)
    assert not Visit.objects.exists()


def test_the_network_goes_while_the_form_of_a_new_visit_is_open(at_machines, context, machine, live_server):
    page = at_machines
    page.goto(f"{live_server.url}/visits/open/{machine.pk}/")
    page.locator("[name=reason]").select_option("jam")
    page.get_by_label("Stopped", exact=True).check()
    context.set_offline(True)
    page.get_by_role("button", name="Open the visit").tap()
    expect(page.locator("#screen")).to_be_visible()
    context.set_offline(False)
    expect(page).to_have_url(re.compile(r"/visits/\d+/stations/"), timeout=BACK)
    assert Visit.objects.get().reason == "jam"


def test_a_photo_added_to_an_open_visit_waits_and_is_shown_when_it_is_there(
    page, context, enter, mechanic, visit, live_server
):
    enter(mechanic)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    wait_until_kept(page, f"/visits/{visit.pk}/")
    context.set_offline(True)
    page.locator("#photos input[type=file]").set_input_files(
        {"name": "worn.png", "mimeType": "image/png", "buffer": picture()}
    )
    page.get_by_role("button", name="Add the photo").tap()
    expect(page.locator("#photos")).to_contain_text("not sent yet: worn.png")
    context.set_offline(False)
    expect(page.locator("#photos-kept img")).to_have_count(1, timeout=BACK)
    expect(page.locator("[data-photos-waiting] li")).to_have_count(0)
    assert Photo.objects.get().by == mechanic


def test_a_photo_that_is_none_is_refused_in_a_sentence_on_its_visits_page(page, enter, mechanic, visit, live_server):
    enter(mechanic)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    page.locator("#photos input[type=file]").set_input_files(
        {"name": "worn.png", "mimeType": "image/png", "buffer": b"no picture at all"}
    )
    page.get_by_role("button", name="Add the photo").tap()
    expect(bar(page).locator(".decision")).to_contain_text("Not stored: Photo: worn.png", timeout=BACK)
    bar(page).get_by_role("button", name="Let mine go").tap()
    expect(bar(page)).to_be_hidden()
    assert not Photo.objects.exists()
