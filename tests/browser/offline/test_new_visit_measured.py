"""A whole job without a network: bushings, running values, moves, sweeps as left; sent in order when it is back."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from linelog.alignment.models import (
    BushingClearance,
    BushingFitted,
    BushingPosition,
    Lockout,
    MoveMade,
    RunningReading,
    StationNote,
    Visit,
)
from linelog.plant.models import Person
from linelog.web.models import AuditEvent
from tests.browser.offline.tablet import BACK, FOUR, all_is_sent, bar, go_to, type_in, verify
from tests.calc.test_clearance import bar_travel


def back(page: Page, context) -> Visit:
    """Let the network come back, and wait until all is sent and the page stands in the visit."""
    context.set_offline(False)
    all_is_sent(page)
    visit = Visit.objects.get()
    expect(page).to_have_url(re.compile(f"/visits/{visit.pk}/stations/"), timeout=BACK)
    return visit


def stage(page: Page, name: str) -> None:
    page.get_by_role("navigation", name="Stage").get_by_role("link", name=name, exact=True).tap()
    expect(page.get_by_role("navigation", name="Stage").get_by_role("link", name=name)).to_have_attribute(
        "aria-current", "true"
    )


def save_clearance(page: Page, **typed: str) -> None:
    card = page.locator("#clearance")
    for name, text in typed.items():
        card.locator(f"[name={name}]").fill(text)
    card.get_by_role("button", name="Save the clearance").tap()


def run_value(page: Page, **typed: str) -> None:
    card = page.locator("#running")
    if not card.locator("form").is_visible():
        card.get_by_text("Type in a running value").tap()
    card.locator("[name=stage]").select_option(typed.pop("stage", "as_found"))
    for name, text in typed.items():
        card.locator(f"[name={name}]").fill(text)
    card.get_by_role("button", name="Save the running value").tap()


def mover(page: Page, name: str):
    if not page.locator(".mover").first.is_visible():
        page.get_by_text("Log a move", exact=True).tap()
    return page.locator(".mover").filter(has_text=name)


def actions() -> list[str]:
    rows = AuditEvent.objects.order_by("pk").exclude(action="signed in")
    return list(rows.values_list("action", flat=True))


def test_a_whole_job_is_typed_without_a_network_and_arrives_in_order_once_each(begin, context, machine, mechanic):
    """The front bushing is measured with the dial 200 mm ahead: the travel is that of a simulated rigid ram."""
    front, rear = (machine.stations.get(kind=kind) for kind in ("front_bushing", "rear_bushing"))
    travel = bar_travel(60.0, 30.0, front.z_mm, rear.z_mm, front.z_mm + 200.0, "rocks")
    page = begin("Rear bushing")
    save_clearance(page, resolution_um="0.001", up_down_um="0.030", left_right_um="0.030")
    expect(page.locator("#clearance .unsent-list")).to_contain_text("Rear bushing, clearance as found")
    go_to(page, "Front bushing")
    page.locator("#clearance").get_by_text("The dial stands elsewhere").tap()
    ahead = {"resolution_um": "0.001", "dial_z_mm": f"{front.z_mm + 200}"}
    save_clearance(page, up_down_um=f"{travel / 1000:.6f}", **ahead)
    expect(page.locator("#clearance .unsent-list")).to_be_visible()
    page.reload()
    expect(page.locator("#clearance [name=up_down_um]")).to_have_value(f"{travel / 1000:.6f}")
    expect(page.locator("#clearance [name=dial_z_mm]")).to_be_visible()
    save_clearance(page, left_right_um=f"{travel / 1000:.6f}")
    shim = mover(page, "Carrier shim, below")
    shim.locator("[name=way]").select_option("put in")
    shim.locator("[name=travel]").fill("0.05")
    shim.get_by_role("button", name="Log it").tap()
    expect(page.locator("#moves .unsent-list")).to_contain_text("Front bushing: Carrier shim, below: put in")
    go_to(page, "Domer")
    run_value(page, x="0.010", y="-0.030", expanded="0.005", strokes="40")
    expect(page.locator("#running .unsent-list")).to_contain_text("Domer, running value")
    for angle, text in FOUR.items():
        type_in(page, angle, text)
    screw = mover(page, "Lift screw")
    screw.locator("[name=flats]").fill("3")
    screw.locator("[name=way]").select_option("out")
    screw.get_by_role("button", name="Log it").tap()
    expect(screw.locator("[name=flats]")).to_have_value("")
    page.get_by_role("link", name="Sweep as left").tap()
    expect(page.locator(".pos.at90 input[name=value]")).to_have_value("")
    for angle in FOUR:
        type_in(page, angle, "0.01")
    assert not Visit.objects.exists()
    visit = back(page, context)
    kept = {row.station.kind: row for row in BushingClearance.objects.filter(visit=visit, stage="as_found")}
    assert kept["rear_bushing"].clearance_um == pytest.approx(30.0)
    assert kept["front_bushing"].clearance_up_down_um == pytest.approx(60.0, abs=0.01)
    assert kept["front_bushing"].clearance_left_right_um == pytest.approx(60.0, abs=0.01)
    assert kept["front_bushing"].version == 2
    ran = RunningReading.objects.get(visit=visit)
    assert (ran.x_um, ran.y_um, ran.strokes, ran.by) == (10.0, -30.0, 40, mechanic)
    moves = list(MoveMade.objects.filter(visit=visit).order_by("pk").values_list("adjuster__name", "travel_um"))
    assert moves == [("Carrier shim, below", 50.0), ("Lift screw", -750.0)]  # half a turn of 1.5 mm, out
    domer = set(visit.results.filter(station__kind="domer").values_list("stage", "method"))
    assert domer == {("as_found", "running"), ("as_found", "static"), ("as_left", "static")}
    assert actions() == [
        *("opened visit", "verified lockout", *["measured clearance"] * 3, "logged move", "typed running value"),
        *["typed reading"] * 4,
        "logged move",
        *["typed reading"] * 4,
    ]


def test_moves_and_running_values_are_in_the_persons_unit_and_seen_from_where_the_set_up_says(
    begin, at_machines, context, mechanic
):
    """The cross slide pushes toward 3 as seen from the crank, so toward 9 as seen from the domer (1 in = 25.4 mm)."""
    Person.objects.filter(pk=mechanic.pk).update(unit="inch")
    at_machines.evaluate("async () => { await linelog.keepPage('/visits/new/'); }")
    page = begin("Stripper")
    seen = page.locator("#set-up")
    seen.get_by_text("Change the set-up").tap()
    for end, hour in (("crank", 3), ("domer", 9)):
        seen.locator("select[name=view]").select_option(end)
        if not seen.get_by_role("button", name="Use this set-up").is_visible():
            seen.get_by_text("Change the set-up").tap()
        seen.get_by_role("button", name="Use this set-up").tap()
        slide = mover(page, "Cross slide")
        expect(slide.locator("option").first).to_have_text(f"toward {hour} o'clock, seen from the {end}")
        expect(page.locator("#running label").filter(has_text="Across")).to_have_text(
            f"Across, + right, seen from the {end} (in)"
        )
        page.locator("#set-up details").evaluate("(at) => { at.open = true; }")
    slide.locator("[name=way]").select_option("toward 9 o'clock, seen from the domer")
    slide.locator("[name=travel]").fill("0.002")
    slide.get_by_role("button", name="Log it").tap()
    run_value(page, x="0.001", y="0", expanded="0.0002", strokes="30")
    page.get_by_label("Anything else, in words").fill("wedge eased")
    page.locator(".mover").last.get_by_role("button", name="Log it").tap()
    visit = back(page, context)
    moves = list(MoveMade.objects.filter(visit=visit).order_by("pk").values_list("travel_um", "typed", "words"))
    assert moves == [(pytest.approx(50.8), "0.002", ""), (None, "", "wedge eased")]
    assert RunningReading.objects.get().x_um == pytest.approx(-25.4)


def test_nothing_static_is_typed_before_the_lockout_nor_after_the_machine_has_run(begin, context):
    page = begin("Front bushing", locked_out=False)
    expect(page.locator("#clearance")).to_contain_text("verify the lockout")
    expect(page.locator("#clearance form")).to_be_hidden()
    expect(page.get_by_role("button", name="Save the position")).to_be_hidden()
    expect(page.locator("#lasts")).to_be_hidden()
    verify(page)
    expect(page.locator("#lasts")).to_contain_text("does not see when")
    save_clearance(page, up_down_um="0.05", left_right_um="0.04")
    go_to(page, "Domer")
    expect(page.locator("#clock .pad")).to_be_visible()
    run_value(page, stage="as_left", x="0.010", y="0.020", expanded="0.005", strokes="40")
    expect(page.locator("#clock .pad")).to_be_hidden()
    go_to(page, "Front bushing")
    expect(page.locator("#clearance form")).to_be_hidden()
    go_to(page, "Stripper")
    expect(page.locator("#clock .pad")).to_be_hidden()
    expect(page.locator("#clock input[name=value]").first).not_to_be_editable()
    verify(page)
    type_in(page, 90, "0.02")
    expect(page.locator(".pos.at90 .unsent")).to_be_visible()
    page.reload()
    expect(page.locator("#clock .pad")).to_be_visible()
    back(page, context)
    assert list(Lockout.objects.order_by("pk").values_list("ended_how", flat=True)) == ["ran", ""]
    assert actions()[1:] == [
        *("verified lockout", "measured clearance", "typed running value", "ended lockout"),
        *("verified lockout", "typed reading"),
    ]


def test_what_the_server_refuses_is_shown_where_it_belongs_and_nowhere_else(begin, context, live_server):
    page = begin("Front bushing")
    save_clearance(page, up_down_um="0.5", left_right_um="0.04")  # six wear limits: asked about
    go_to(page, "Domer")
    run_value(page, x="o.02", y="0.020", expanded="0.005", strokes="40")
    screw = mover(page, "Lift screw")
    screw.locator("[name=turns]").fill("2")
    screw.get_by_role("button", name="Log it").tap()
    context.set_offline(False)
    expect(page).to_have_url(re.compile(r"/visits/\d+/stations/"), timeout=BACK)
    visit = Visit.objects.get()
    decisions = bar(page).locator(".decision")
    expect(decisions).to_have_count(2)
    expect(decisions.filter(has_text="no such travel left")).to_contain_text("Domer: Lift screw")
    page.goto(f"{live_server.url}/")
    expect(page.locator("main")).to_be_visible()
    expect(decisions).to_have_count(0)
    page.goto(f"{live_server.url}/visits/{visit.pk}/")
    expect(decisions).to_have_count(3)
    asked = decisions.filter(has_text="clearance as found")
    expect(asked).to_contain_text("times the wear limit of 0.080")
    asked.get_by_role("button", name="Yes, keep it").tap()
    expect(decisions).to_have_count(2, timeout=BACK)
    ran = decisions.filter(has_text="running value")
    ran.get_by_role("button", name="Correct it").tap()
    ran.get_by_label("Across, + right, seen from the crank (mm)").fill("0.02")
    ran.get_by_role("button", name="Use the correction").tap()
    expect(decisions).to_have_count(1, timeout=BACK)
    decisions.get_by_role("button", name="Let mine go").tap()
    expect(decisions).to_have_count(0)
    assert BushingClearance.objects.get().clearance_um == pytest.approx(500.0)
    assert RunningReading.objects.get().x_um == 20.0
    assert not MoveMade.objects.exists()


def test_a_visit_on_a_running_machine_takes_running_values_alone(begin, context):
    page = begin("Front bushing", runs=True)
    expect(page.locator("#clearance form")).to_be_hidden()
    expect(page.locator("#lockout")).to_be_hidden()
    go_to(page, "Domer")
    expect(page.locator("#clock .pad")).to_be_hidden()
    expect(page.locator("#runs")).to_be_visible()
    run_value(page, x="0.010", y="0.020", expanded="0.005", strokes="40")
    run_value(page, x="0.011")
    back(page, context)
    ran = RunningReading.objects.get()
    assert (ran.x_um, ran.version) == (11.0, 2)


def test_a_position_a_new_bushing_and_a_note_follow_as_well_and_a_withdrawn_one_does_not(begin, context):
    page = begin("Front bushing")
    stage(page, "As left")
    save_clearance(page, up_down_um="0.05", left_right_um="0.04")
    bar(page).get_by_text("Show what").tap()
    line = bar(page).locator("li").filter(has_text="clearance as left")
    line.get_by_role("button", name="Withdraw").tap()
    expect(line).to_have_count(0)
    expect(page.locator("#clearance [name=up_down_um]")).to_have_value("")
    card = page.locator("#position")
    card.get_by_text("Type it in").tap()
    card.locator("[name=reference]").select_option("wire")
    card.locator("[name=view]").select_option("domer")
    for name, text in {"x_um": "0.010", "y_um": "-0.030", "expanded_um": "0.004"}.items():
        card.locator(f"[name={name}]").fill(text)
    card.get_by_role("button", name="Save the position").tap()
    page.get_by_text("A new one was fitted").tap()
    page.locator("#fitted [name=fitted_on]").fill("2026-01-05")
    page.get_by_role("button", name="Log the new bushing").tap()
    page.locator("#id_note").fill("looks worn")
    page.get_by_role("button", name="Save the note").tap()
    back(page, context)
    position = BushingPosition.objects.get()
    assert (position.stage, position.x_um, position.y_um) == ("as_left", -10.0, -30.0)
    assert str(BushingFitted.objects.get().fitted_on) == "2026-01-05"
    assert StationNote.objects.get(station__kind="front_bushing").note == "looks worn"
    assert not BushingClearance.objects.exists()


def test_a_place_is_swept_anew_as_left_after_each_move_and_what_is_older_counts_no_more(begin, context):
    """As left first 0.06 mm high, then after a move with the same reading at 12 and 3 as before: 0 in both ways."""
    page = begin("Stripper")
    stage(page, "As left")
    expect(page.get_by_role("link", name="Sweep it anew as left")).to_be_hidden()
    for angle, text in FOUR.items():
        type_in(page, angle, text)
    page.get_by_text("Log a move", exact=True).tap()
    page.get_by_label("Anything else, in words").fill("wedge eased")
    page.locator(".mover").last.get_by_role("button", name="Log it").tap()
    page.get_by_role("link", name="Sweep it anew as left").tap()
    repeats = page.get_by_role("navigation", name="Repeat")
    expect(repeats.get_by_role("link", name="2")).to_have_attribute("aria-current", "true")
    expect(page.locator(".pos.at90 input[name=value]")).to_have_value("")
    for angle, text in {0: "0", 90: "0.05", 180: "0", 270: "0.05"}.items():
        type_in(page, angle, text)
    expect(page.locator(".on-tablet")).to_contain_text("0.000 mm")
    repeats.get_by_role("link", name="1").tap()
    expect(page.locator(".pos.at180 input[name=value]")).to_have_value("0.12")
    visit = back(page, context)
    result = visit.results.get(station__kind="stripper", stage="as_left")
    assert result.radial_um == pytest.approx(0.0, abs=0.01)
    assert result.readings == 4
