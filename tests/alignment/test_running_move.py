"""A running value, typed or from a capture, leads to a move; a capture's page leads with the verdict of each phase.

The machines are made up, so the truth is known: what the page tells to do is done to the template machine's adjusters
by their own geometry, worked out here by hand, and the offset that is left is compared with the limit.
"""

import datetime as dt
import html
import math
from dataclasses import replace

import pytest
from django.urls import reverse

from linelog.alignment.captures.figures import all_figures
from linelog.alignment.captures.lead import MOVED_SINCE, NEWER, SET_ASIDE, lead_of
from linelog.alignment.judging import judged
from linelog.alignment.models import BushingClearance, MoveMade, Result, StationNote
from linelog.alignment.order_of_work import MOVE_AFTER_PACK, SOUND_BUSHING, UNMEASURED_BUSHING, WORN_BUSHING
from linelog.alignment.pages import station_page
from linelog.alignment.place import place_from
from linelog.alignment.results.of_visit import visit_statuses
from linelog.alignment.services.closing import freeze_advice
from linelog.alignment.visit_sheet import content
from linelog.calc.face import slope_from_tilt
from linelog.calc.units import Unit
from linelog.web.plotly import untyped
from tests import factories
from tests.alignment.capturing import NOW, SHORT, Site, as_csv, frame
from tests.alignment.helpers import HTMX, address, say_which_face, type_round

pytestmark = pytest.mark.django_db
LATER = NOW + dt.timedelta(hours=1)


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def mechanic(site, client):
    client.force_login(site.mechanic)
    return client


def ran_of(scenario):
    return as_csv(frame(replace(SHORT, **scenario)))


def far(x, y):
    """A ram that runs (x, y) um off the ring's centre in every phase: the component lies at (-x, -y)."""
    return {"place_um": (x, y), "slope": (0.0, 0.0), "split_um": (0.0, 0.0), "kick_um": (0.0, 0.0)}


def type_running(client, visit, station, x, y, *, stage="as_found", u="0.004"):
    data = {"stage": stage, "x": x, "y": y, "expanded": u, "strokes": "200", "unit": "mm"}
    answer = client.post(address("running", visit, station), data, headers=HTMX)
    assert answer.status_code == 200, answer.content.decode()[:1500]
    return html.unescape(answer.content.decode())


def page_of(visit, station, person):
    return station_page(visit=visit, place=place_from(station, {}), user=person, at=LATER)


def performed(advice, station, x_um, y_um):
    """Where the middle of the station lies after the move: feet carry it by their lever, a screw by its push."""
    feet = [line for line in advice.lines if not line.adjuster.along_z]
    rows = [row for row in station.adjusters.all() if not row.along_z]
    by_way = {}
    for row in rows:
        by_way.setdefault(row.direction_deg % 180.0, []).append(row)
    for way, group in by_way.items():
        travel = {line.adjuster.pk: line.travel_um for line in feet}
        signed = [
            (row.z_mm, travel.get(row.pk, 0.0) * (1.0 if row.direction_deg % 360.0 == way else -1.0)) for row in group
        ]
        if len({z for z, _ in signed}) == 1:
            push = sum(t for _, t in signed) / len(signed)
        else:
            (z0, t0), (z1, t1) = sorted(signed)[0], sorted(signed)[-1]
            middle = sum(station.seat_z_mm(seat) for seat in station.seats) / len(station.seats)
            push = t0 + (t1 - t0) * (middle - z0) / (z1 - z0)
        x_um += push * math.sin(math.radians(way))
        y_um += push * math.cos(math.radians(way))
    return x_um, y_um


@pytest.mark.parametrize("kind", ["tool_pack", "stripper", "domer"])
def test_a_typed_running_value_alone_leads_to_a_move_that_brings_it_inside(site, mechanic, kind):
    station = site.machine.stations.get(kind=kind)
    visit = factories.visit(site.machine, site.mechanic)
    answer = type_running(mechanic, visit, station, "0.06", "-0.15")
    page = page_of(visit, station, site.mechanic)
    assert page.advice.lines, page.advice.headline
    left = performed(page.advice, station, 60.0, -150.0)
    assert math.hypot(*left) <= station.limit_um, left
    shown = (page.advice.lines[0].words, "Done as offered", "What to measure after", "Move for the running value")
    assert [words for words in shown if words not in answer] == []  # in the very answer to what was typed


def test_the_move_for_it_is_logged_as_offered_and_kept_with_the_signed_visit(site, mechanic):
    station = site.machine.stations.get(kind="domer")
    visit = factories.visit(site.machine, site.mechanic)
    type_running(mechanic, visit, station, "0.00", "-0.15")
    page = page_of(visit, station, site.mechanic)
    sent = mechanic.post(address("advised", visit, station), {"seen": page.offers[0].seen}, headers=HTMX)
    assert sent.status_code == 200
    assert [move.travel_um for move in visit.moves.all()] == [line.travel_um for line in page.advice.lines]
    assert page_of(visit, station, site.mechanic).advice.lines == ()  # none is offered again


def test_a_running_value_inside_moves_nothing_and_one_not_proven_asks_for_strokes(site, mechanic):
    station = site.machine.stations.get(kind="domer")
    visit = factories.visit(site.machine, site.mechanic)
    type_running(mechanic, visit, station, "0.005", "0.005")
    assert page_of(visit, station, site.mechanic).advice.headline == "Leave it: it runs inside its limit."
    other = site.machine.stations.get(kind="stripper")
    near = f"{other.limit_um * 0.99 / 1000:.4f}"
    type_running(mechanic, visit, other, near, "0", u="0.03")
    found = page_of(visit, other, site.mechanic)
    assert (found.advice.lines, found.advice.headline) == ((), "No move yet: measure more strokes.")


def test_a_capture_tells_the_same_move_as_its_value_typed_at_the_station(site, mechanic):
    capture = site.receive(ran_of(far(-60.0, 150.0)))
    lead = lead_of(capture, list(capture.values.select_related("station")), Unit.MM, LATER)
    value = capture.values.get(phase="forward", seat="")
    assert (value.x_um, value.y_um) == pytest.approx((60.0, -150.0), abs=3.0)
    left = performed(lead.advice, site.station, value.x_um, value.y_um)
    assert math.hypot(*left) <= site.station.limit_um
    visit = factories.visit(site.machine, site.mechanic)
    type_running(mechanic, visit, site.station, f"{value.x_um / 1000:.5f}", f"{value.y_um / 1000:.5f}", u="0.0005")
    typed = page_of(visit, site.station, site.mechanic).advice
    assert [line.words for line in typed.lines] == [line.words for line in lead.advice.lines]


def test_the_capture_page_leads_with_verdict_move_order_and_what_to_measure_after(site, mechanic):
    capture = site.receive(ran_of(far(-60.0, 150.0)))
    shown = mechanic.get(reverse("alignment:capture", args=[capture.pk])).content.decode()
    told = ["Tool pack: Out when running", "20–170", "170–190", "190–340", "What to do next", "First Rear bushing"]
    told += ["The order to take the stations in", "What to measure after", "Measure running again what follows it"]
    places = [shown.find(words) for words in told]
    assert min(places) >= 0, dict(zip(told, places, strict=True))
    assert max(places) < shown.index("<h2>Warnings</h2>")


def test_beyond_the_limit_in_another_phase_alone_is_said_and_no_move_is_made_for_it(site, mechanic):
    limit = site.station.limit_um
    # the component at 0 on the forward stroke, two limits off at dome formation (the bump after full forward)
    capture = site.receive(ran_of({**far(0.0, 0.0), "kick_um": (0.0, 8.0 * limit)}))
    dome = capture.values.get(phase="dome", seat="")
    assert dome.radial_um > limit
    lead = lead_of(capture, list(capture.values.select_related("station")), Unit.MM, LATER)
    assert lead.advice.lines == ()
    assert [(one.phase, one.word) for one in lead.verdicts] == [("Forward", "in"), ("Dome", "out"), ("Return", "in")]
    assert any(sentence.startswith("At dome formation it runs beyond its limit") for sentence in lead.beyond)
    assert lead.beyond[0] in mechanic.get(reverse("alignment:capture", args=[capture.pk])).content.decode()


def test_a_phase_that_the_move_would_leave_beyond_the_limit_is_named(site):
    # forward runs out one way, return the other: what mends the one worsens the other
    capture = site.receive(ran_of({**far(0.0, 0.0), "split_um": (0.0, 300.0)}))
    lead = lead_of(capture, list(capture.values.select_related("station")), Unit.MM, LATER)
    assert any(note.startswith("After this move the return stroke is expected") for note in lead.advice.notes)


def test_no_move_goes_by_a_capture_once_the_station_or_a_bushing_was_moved(site):
    capture = site.receive(ran_of(far(-60.0, 150.0)))
    values = list(capture.values.select_related("station"))
    visit = factories.visit(site.machine, site.mechanic)
    bushing = site.machine.stations.get(kind="front_bushing")
    MoveMade.objects.create(visit=visit, station=bushing, unit="mm", words="moved", by=site.mechanic, at=LATER)
    lead = lead_of(capture, values, Unit.MM, LATER)
    assert (lead.advice.headline, lead.advice.lines) == (MOVED_SINCE, ())


def test_no_move_goes_by_a_capture_that_has_a_newer_one_or_was_set_aside(site):
    first = site.receive(ran_of(far(-60.0, 150.0)))
    second = site.receive(ran_of(far(-50.0, 140.0)), at=LATER, recorded_at=LATER)
    found = [
        lead_of(one, list(one.values.select_related("station")), Unit.MM, LATER).advice for one in (first, second)
    ]
    assert found[0].headline == NEWER
    assert found[1].lines
    second.set_aside_at = LATER
    assert lead_of(second, list(second.values.all()), Unit.MM, LATER).advice.headline == SET_ASIDE


def clearance(visit, station, by, verdict):
    figures = {"clearance_up_down_um": 90.0, "clearance_left_right_um": 80.0, "clearance_um": 90.0}
    return BushingClearance.objects.create(
        visit=visit,
        station=station,
        stage="as_found",
        up_down_um=90.0,
        left_right_um=80.0,
        unit="mm",
        expanded_um=6.0,
        limit_um=76.0,
        verdict=verdict,
        severity=1.2,
        algorithm="test",
        by=by,
        at=NOW,
        **figures,
    )


def test_the_order_is_bushings_then_tool_pack_then_what_follows_it(site, mechanic):
    visit = factories.visit(site.machine, site.mechanic)
    rear, front = (site.machine.stations.get(kind=kind) for kind in ("rear_bushing", "front_bushing"))
    domer, stripper = (site.machine.stations.get(kind=kind) for kind in ("domer", "stripper"))
    clearance(visit, front, site.mechanic, "out")
    clearance(visit, rear, site.mechanic, "in")
    for station in (domer, stripper, site.station):
        type_running(mechanic, visit, station, "0.00", "-0.20")
    steps = page_of(visit, domer, site.mechanic).order
    assert [step.station.kind for step in steps] == [
        "rear_bushing",
        "front_bushing",
        "tool_pack",
        "stripper",
        "domer",
    ]
    assert [step.words for step in steps[:2]] == [SOUND_BUSHING, WORN_BUSHING]
    assert steps[3].words == MOVE_AFTER_PACK
    assert [step.here for step in steps] == [False] * 4 + [True]


def test_a_bushing_never_measured_comes_first(site, mechanic):
    visit = factories.visit(site.machine, site.mechanic)
    domer = site.machine.stations.get(kind="domer")
    type_running(mechanic, visit, domer, "0.00", "-0.20")
    assert page_of(visit, domer, site.mechanic).order[0].words == UNMEASURED_BUSHING


def test_dome_formation_has_a_panel_of_its_own_over_its_whole_window(site):
    capture = site.receive(ran_of(far(0.0, 0.0)))
    figure = all_figures(capture.result, site.station.limit_um, Unit.MM)["dome"]
    begins, ends = figure["layout"]["xaxis"]["range"]
    assert 170.0 <= begins < 174.0
    assert 186.0 < ends <= 190.0
    line = next(trace for trace in figure["data"] if trace["name"] == "Dome")
    stored = capture.result["dome"]["path"]
    assert untyped(line["y"]).tolist() == pytest.approx([x / 1000.0 for x in stored["x_um"]])
    assert {trace["name"] for trace in figure["data"]} <= {"Dome", "Dome: nine strokes in ten"}


def test_what_was_advised_for_a_running_value_is_kept_when_the_visit_is_signed(site, mechanic):
    visit = factories.visit(site.machine, site.mechanic)
    domer = site.machine.stations.get(kind="domer")
    type_running(mechanic, visit, domer, "0.00", "-0.20")
    freeze_advice(visit=visit, unit=Unit.MM, at=LATER)
    kept = StationNote.objects.get(visit=visit, station=domer).advised
    assert kept.startswith("For the running value: ")


def test_the_tilt_that_a_running_value_is_moved_with_is_the_one_expected_when_running(site, mechanic):
    """The face was swept from the hanging ram: what its slope added is no tilt of the running machine."""
    domer = site.machine.stations.get(kind="domer")
    site.machine.moves_for_running = True
    site.machine.save()
    visit = factories.visit(site.machine, site.mechanic)
    type_round(mechanic, visit, domer, {"0": "0", "90": "0.08", "180": "0.16", "270": "0.08"})
    say_which_face(mechanic, visit, domer)
    type_round(mechanic, visit, domer, dict.fromkeys(("0", "90", "180", "270"), "0"), kind="face")
    type_running(mechanic, visit, domer, "0.05", "-0.13")
    page = page_of(visit, domer, site.mechanic)
    expected = page.expected_tilt.tilt
    assert math.hypot(expected.x, expected.y) > 0.01  # mm/m: the ram hangs with a slope there
    slopes = page.advice.solution.before.slopes
    assert slopes == pytest.approx(slope_from_tilt(expected.x, expected.y))


@pytest.mark.parametrize("moved", ["domer", "front_bushing"])
def test_a_running_value_as_left_holds_no_more_once_something_was_moved_after_it(site, mechanic, moved):
    """Run, locked out anew, moved: the running value is of a machine that is no more, until it is run again."""
    domer = site.machine.stations.get(kind="domer")
    visit = factories.visit(site.machine, site.mechanic)
    type_running(mechanic, visit, domer, "0.08", "-0.12", stage="as_left")
    left = {"stage": "as_left"}

    def says():
        answer = mechanic.get(address("station", visit, domer, **left))
        return html.unescape(answer.content.decode())

    assert "Out when running" in says()
    run = Result.objects.get(visit=visit, station=domer, method="running")
    after = {"station": site.machine.stations.get(kind=moved), "at": run.at + dt.timedelta(minutes=9)}
    move = MoveMade.objects.create(visit=visit, unit="mm", words="moved", by=site.mechanic, **after)
    assert run not in judged(Result.objects.all())
    assert visit_statuses(visit, [domer], LATER) == {}
    assert "Out when running" not in says()
    assert "measured before the last move" in says()
    assert "measured before the last move" in str(content(visit, Unit.MM, LATER))
    move.delete()
    assert "Out when running" in says()
