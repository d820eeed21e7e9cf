"""The common line's page: from stored offsets to what a mechanic does, and what is expected after that."""

import math

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.alignment.line_drawing import HALF
from linelog.alignment.models import BushingPosition
from linelog.calc.verdict import Verdict
from linelog.plant.adjusting import reach_um
from linelog.plant.models import Adjuster, Machine, Station
from linelog.web import protection
from tests import factories
from tests.alignment.helpers import type_round
from tests.alignment.invented import amend, keep, result, signed

pytestmark = pytest.mark.django_db

REAR_Z, FRONT_Z = -500.0, -20.0  # where the template's bushings stand
ALONG = ("redraw_sleeve", "cup_locator", "tool_pack", "stripper", "domer")


@pytest.fixture
def machine():
    return factories.machine()


@pytest.fixture
def client(signed_in, machine):
    return signed_in(factories.person("mechanic", machine.line.plant))


def line_at(z, rear, front):
    share = (z - REAR_Z) / (FRONT_Z - REAR_Z)
    return (1 - share) * np.array(rear) + share * np.array(front)


def left(machine, offsets, *, stage="as_left", day=0.0, u=1.0, tilt=None):
    """A signed visit with these offsets by kind of station; a function of z gives each seat its own."""
    visit, rows = signed(machine, day), []
    for station in machine.stations.filter(kind__in=offsets):
        for seat in station.seats:
            value = offsets[station.kind]
            x, y = value(station.seat_z_mm(seat)) if callable(value) else value
            row = result(visit, station, stage, float(x), float(y), seat=seat, u=u)
            if tilt and station.kind == "tool_pack":
                row.tilt_x_mm_per_m, row.tilt_y_mm_per_m, row.tilt_expanded_mm_per_m = *tilt, 0.01
            rows.append(row)
    return keep(visit, *rows)


def page_of(client, machine, **query):
    return client.get(reverse("alignment:line", args=[machine.pk]), {"value": "measured", **query})


CENTRED = dict.fromkeys(ALONG, (0.0, 0.0))


def test_all_off_along_one_slanting_line_is_put_right_at_the_two_bushings(client, machine):
    slant = dict.fromkeys(ALONG, lambda z: line_at(z, (60.0, -100.0), (-40.0, 120.0)))
    left(machine, slant)
    response = page_of(client, machine)
    best = response.context["answer"].alternatives[0]
    assert best.opened == ("Rear bushing", "Front bushing")
    assert best.hours == 8.0
    assert best.inside
    assert [move for _, move in best.bushings] == [pytest.approx((60, -100), abs=1), pytest.approx((-40, 120), abs=1)]
    text = response.content.decode()
    assert "Carrier shim, below: put in" in text
    assert "1. Open Rear bushing, Front bushing" in text
    assert "29 CFR 1910.147" in text
    assert "data-print" in text


def test_one_station_off_is_opened_alone_and_its_move_is_in_shop_words(client, machine):
    left(machine, {**CENTRED, "domer": (0.0, 75.0)})
    response = page_of(client, machine)
    best = response.context["answer"].alternatives[0]
    assert (best.opened, best.hours, best.inside) == (("Domer",), 1.0, True)
    domer = next(place for place in best.places if place.station.kind == "domer")
    assert domer.before == (0.0, 75.0)
    assert domer.radial_um < 6.0  # a lift screw steps by 5 um
    assert any("Lift screw" in words for step in best.steps for words in step.words)
    assert len(response.context["answer"].alternatives) >= 2


def test_what_is_expected_follows_from_the_shims_there_are_not_from_the_ideal_line(client, machine):
    slant = dict.fromkeys(ALONG, lambda z: line_at(z, (63.0, -104.0), (-37.0, 126.0)))
    left(machine, slant)
    for one in page_of(client, machine).context["answer"].alternatives:
        for z, move in one.bushings:
            assert all(abs(far / 10.0 - round(far / 10.0)) < 1e-6 for far in move), z  # pieces of 10, 20, 30
        (_, rear), (_, front) = one.bushings
        for place in one.places:
            if place.station.name not in one.opened:
                expected = np.array(place.before) - line_at(place.z_mm, rear, front)
                assert place.after == pytest.approx(expected, abs=1e-6)
                assert place.radial_um == pytest.approx(math.hypot(*expected))


def test_both_seats_of_the_tool_pack_must_end_inside(client, machine):
    left(machine, {**CENTRED, "tool_pack": lambda z: (0.0, 30.0 if z > 200.0 else -30.0)}, tilt=(0.0, -60.0 / 180.0))
    best = page_of(client, machine).context["answer"].alternatives[0]
    assert best.opened == ("Tool pack",)
    seats = [place for place in best.places if place.station.kind == "tool_pack"]
    assert {place.seat for place in seats} == {"front", "rear"}
    assert all(place.judged.verdict is Verdict.IN for place in seats)


def test_nothing_to_open_is_never_said_where_a_station_is_expected_out_when_running(client, machine):
    left(machine, CENTRED)  # true at rest, and the ram hangs 0.14 mm at the domer
    for value in ("measured", "running"):
        text = page_of(client, machine, value=value).content.decode()
        assert "Nothing to open: all" not in text
        assert "out when running" in text or "Open " in text
    assert "In as measured, out when running: expected" in page_of(client, machine).content.decode()


def test_nothing_to_open_says_so(client, machine):
    left(machine, CENTRED)
    Machine.objects.filter(pk=machine.pk).update(overhang_mm=None)
    response = page_of(client, machine)
    (one,) = response.context["answer"].alternatives
    assert one.opened == ()
    assert b"Nothing to open: all are within their limits" in response.content


def test_what_is_out_of_reach_is_named_and_the_rest_is_planned(client, machine):
    left(machine, {**CENTRED, "domer": (0.0, 75.0), "stripper": (0.0, 4000.0)})
    response = page_of(client, machine)
    assert response.context["answer"].beyond == ("Stripper",)
    assert b"<strong>Out of reach:</strong> Stripper stays outside the limit" in response.content
    assert response.context["answer"].alternatives[0].opened == ("Domer",)


def test_everything_out_of_reach_is_told_without_a_plan(client, machine):
    left(machine, {"stripper": (0.0, 4000.0)})
    Adjuster.objects.filter(station__machine=machine).delete()
    response = page_of(client, machine)
    assert response.context["answer"].alternatives == ()
    assert b"No set of moves within reach" in response.content
    assert b"Rear bushing, Front bushing stay where they are" in response.content


def test_a_station_as_uncertain_as_its_limit_or_not_measured_is_left_out_and_said(client, machine):
    visit = left(machine, {**CENTRED, "cup_locator": (0.0, 0.0)})
    rough = left(machine, {"redraw_sleeve": (0.0, 20.0)}, day=1, u=30.0)
    text = page_of(client, machine).content.decode()
    assert "Redraw sleeve is known to no better than its limit: measure it again" in text
    found = page_of(client, machine, visit=rough.pk).content.decode()
    assert "Domer was not measured: it is not planned for." in found
    assert visit.pk != rough.pk


def test_a_visits_as_found_can_be_chosen_an_open_one_too(client, machine):
    left(machine, CENTRED)
    older = left(machine, {**CENTRED, "domer": (0.0, 75.0)}, stage="as_found", day=-30)
    open_one = factories.visit(machine, opened_at=factories.NOW.replace(day=20))
    result(open_one, machine.stations.get(kind="domer"), "as_found", 60.0, 0.0).save()
    assert page_of(client, machine, visit=older.pk).context["answer"].alternatives[0].opened == ("Domer",)
    response = page_of(client, machine, visit=open_one.pk)
    assert [one.station.name for one in response.context["offsets"].found] == ["Domer"]
    assert b"still open" in response.content


def test_amendments_are_heard(client, machine):
    visit = left(machine, {**CENTRED, "domer": (0.0, 75.0)})
    amend(visit, machine.stations.get(kind="domer"), x_um=0.0, y_um=5.0)
    assert page_of(client, machine).context["answer"].alternatives[0].opened == ()


def test_it_starts_from_the_running_value_where_that_is_known(client, machine):
    left(machine, CENTRED)
    response = client.get(reverse("alignment:line", args=[machine.pk]))
    domer = next(one for one in response.context["offsets"].found if one.station.kind == "domer")
    assert domer.middle[1] < -100.0
    assert b"<strong>the value when running</strong>" in response.content
    measured = page_of(client, machine, value="measured").context["offsets"]
    assert next(one for one in measured.found if one.station.kind == "domer").middle == (0.0, 0.0)


def test_planned_as_measured_it_says_what_would_then_run_out(client, machine):
    """What is set true to a hanging ram runs off by its droop: the beam of the machine's own ram, 0.1 mm and more."""
    visit, station = signed(machine, 0.0), machine.stations.get(kind="domer")
    high = result(visit, station, "as_left", 0.0, 250.0)
    high.verdict = "out"
    keep(visit, high)
    page = page_of(client, machine)
    off = {one.station.kind: one.size_um for one in page.context["offsets"].runs_off}
    expected = page_of(client, machine, value="running").context["offsets"]
    domer = next(one for one in expected.found if one.station.kind == "domer")
    assert off["domer"] == pytest.approx(250.0 - domer.middle[1], abs=0.01)
    assert off["domer"] > 100.0
    said = page.content.decode()
    assert "Domer, left true as measured, would run" in said
    assert "all within limits as measured</span>" in said
    said = page_of(client, machine, value="running").content.decode()
    assert "left true as measured" not in said
    assert "as measured</span>" not in said


def test_ranked_by_hours_the_quicker_comes_first(client, machine):
    slant = dict.fromkeys(ALONG, lambda z: line_at(z, (0.0, 0.0), (0.0, 34.0)))
    left(machine, slant)
    fewest = page_of(client, machine).context["answer"].alternatives
    quickest = page_of(client, machine, rank="hours").context["answer"].alternatives
    assert [len(one.opened) for one in fewest] == sorted(len(one.opened) for one in fewest)
    assert [one.hours for one in quickest] == sorted(one.hours for one in quickest)
    assert quickest[0].hours <= fewest[0].hours


@pytest.mark.parametrize("query", [{"visit": "x"}, {"visit": "99999999999999999999"}, {"value": "x"}, {"rank": "-1"}])
def test_an_address_that_makes_no_sense_is_told_and_the_page_stays(client, machine, query):
    left(machine, CENTRED)
    response = page_of(client, machine, **query)
    assert response.status_code == 422
    assert response.context["answer"].alternatives


def test_a_machine_without_visits_or_without_bushings_says_so(client, machine):
    assert b"No station along the ram has offsets here" in page_of(client, machine).content
    machine.stations.filter(kind__in=[Station.Kind.REAR_BUSHING, Station.Kind.FRONT_BUSHING]).delete()
    left(machine, {**CENTRED, "domer": (0.0, 75.0)})
    assert page_of(client, machine).context["answer"].alternatives[0].opened == ("Domer",)
    Machine.objects.filter(pk=machine.pk).update(bushing_span_mm=None)
    assert b"no bushing span on record" in page_of(client, machine).content


def test_the_drawing_keeps_inside_its_frame_and_draws_limits_before_and_after(client, machine):
    slant = dict.fromkeys(ALONG, lambda z: line_at(z, (60.0, -100.0), (-40.0, 120.0)))
    left(machine, slant)
    for one, drawing in page_of(client, machine).context["drawn"]:
        assert len(drawing.panels) == 2
        for axis, panel in enumerate(drawing.panels):
            assert len(panel.spots) == len(one.places) == 6
            for spot, place in zip(panel.spots, one.places, strict=True):
                assert panel.zero - HALF - 1 <= min(spot.before, spot.after, spot.high)
                assert max(spot.before, spot.after, spot.low) <= panel.zero + HALF + 1
                assert (spot.before < panel.zero) == (place.before[axis] > 0)  # up on the page is up


def test_the_reach_of_a_station_is_its_least_along_either_axis():
    def row(direction, least=-1000.0, most=1500.0, along_z=False):
        return Adjuster(direction_deg=direction, min_um=least, max_um=most, along_z=along_z)

    assert reach_um([row(0.0), row(90.0)]) == 1000.0
    assert reach_um([row(0.0), row(0.0, -300.0), row(90.0)]) == 300.0  # of two feet the one with less
    assert reach_um([row(0.0)]) == 0.0  # nothing pushes across
    assert reach_um([row(45.0), row(135.0)]) == pytest.approx(1000.0 * math.sqrt(0.5))
    assert reach_um([row(0.0, along_z=True), row(90.0)]) == 0.0
    assert reach_um([]) == 0.0


def test_ten_visits_or_a_hundred_ask_the_same_of_the_database(client, machine):
    def asked(**query):
        with CaptureQueriesContext(connection) as queries:
            assert page_of(client, machine, **query).status_code == 200
        return len(queries)

    left(machine, CENTRED)
    page_of(client, machine)
    few = asked(), asked(value="running")
    for day in range(1, 40):
        left(machine, CENTRED, day=day / 2)
    assert (asked(), asked(value="running")) == few
    assert max(few) <= 30


def test_an_open_visit_that_found_a_station_out_is_named_and_nothing_is_said_to_be_in_by_its_silence(client, machine):
    left(machine, CENTRED)
    assert "is still open" not in page_of(client, machine).content.decode()
    visit = factories.visit(machine, factories.person("mechanic", machine.line.plant))
    type_round(
        client, visit, machine.stations.get(kind="domer"), {"0": "0", "90": "0.15", "180": "0.3", "270": "0.15"}
    )
    text = page_of(client, machine).content.decode()
    assert "is still open: nothing of it is in this." in text
    assert "Domer: out" in text
    assert "Nothing to open: all" not in text
    assert "is still open" not in page_of(client, machine, visit=visit.pk).content.decode()


def test_a_bushing_alone_is_found_where_only_one_of_two_packs_near_the_ideal_move_does(client, machine):
    """By hand: the front bushing +0.13 leaves the domer 36 um off (limit 38, U 5), +0.14 leaves it 20 um off."""
    offsets = {
        "redraw_sleeve": (-64.7, 143.4),
        "cup_locator": (-49.0, 175.5),
        "tool_pack": lambda z: (-81.1, 174.4) if z < 200 else (-109.4, 228.1),
        "stripper": (-144.2, 255.1),
        "domer": (-162.1, 342.0),
    }
    left(machine, offsets, u=2.6)
    first = page_of(client, machine).context["answer"].alternatives[0]
    assert first.opened == ("Front bushing",)
    assert first.inside
    domer = next(place for place in first.places if place.station.kind == "domer")
    assert domer.radial_um == pytest.approx(math.hypot(-162.1 + 60 * 1150 / 480, 342 - 140 * 1150 / 480), abs=6.0)


def test_a_bushing_measured_out_of_its_place_is_told_where_all_stations_stand_in_line(client, machine):
    visit = left(machine, CENTRED)
    bushing = machine.stations.get(kind="rear_bushing")
    with protection.lifted():
        BushingPosition.objects.create(
            visit=visit, station=bushing, stage="as_left", reference="bed", x_um=36.0, y_um=0.0, expanded_um=4.0,
            view="crank", unit="mm", limit_um=13.0, verdict="out", severity=36 / 13, by=visit.signed_by,
            at=visit.signed_at,
        )  # fmt: skip
    text = page_of(client, machine).content.decode()
    assert "Rear bushing was last measured out of its limit" in text
    assert "Nothing to open: all are within their limits" not in text
