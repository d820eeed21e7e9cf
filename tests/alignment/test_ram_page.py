"""The page of the hanging ram: the beam's own figures, what is missing, and little asked of the database."""

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.alignment.hanging import ALONG, SHARES, at_stations, positions_read, record_of
from linelog.alignment.models import Stage, Sweep, Visit
from linelog.calc.droop import hang
from linelog.plant.models import Machine, RamSection
from linelog.web.plotly import untyped
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def machine():
    return factories.machine()


@pytest.fixture
def client(signed_in, machine):
    return signed_in(factories.person("mechanic", machine.line.plant))


def at(name, machine, **query):
    asked = "&".join(f"{key}={value}" for key, value in query.items())
    return reverse(f"alignment:{name}", args=[machine.pk]) + (f"?{asked}" if asked else "")


def swept(machine, kind="domer", travel=600.0, **more):
    visit = more.pop("visit", None) or factories.visit(machine)
    station = machine.stations.get(kind=kind)
    return Sweep.objects.create(visit=visit, station=station, stage=Stage.AS_FOUND, ram_position_mm=travel, **more)


def test_the_table_is_what_the_beam_says_at_the_readings_own_ram_position(client, machine):
    swept(machine, travel=600.0)
    response = client.get(at("ram", machine))
    domer = next(one for one in response.context["asked"].hangs if one.station.kind == "domer")
    ram = record_of(machine).hanging.ram
    beam = hang(ram, [690.0], [650.0])  # 90 mm is where the nose is at full back
    assert (domer.travel_mm, domer.typed, domer.reached) == (600.0, True, True)
    assert domer.deflection_um == pytest.approx(beam.deflection_um[0, 0], abs=1e-9)
    assert domer.deflection_um == pytest.approx(domer.clearance_um + domer.weight_um + domer.punch_um, abs=1e-9)
    assert domer.clearance_um == pytest.approx(-(20.0 + 40.0 * 650.0 / 480.0), abs=1e-9)  # C/2 + C*a/L
    assert domer.punch_um < -20.0 > domer.weight_um
    assert "610\u202fmm, the nose from z = 90 to 700\u202fmm" in response.content.decode()


def test_a_place_whose_ram_position_was_not_typed_is_taken_with_the_nose_at_it_and_marked(client, machine):
    hangs = client.get(at("ram", machine)).context["asked"].hangs
    assert [one.typed for one in hangs] == [False] * 8
    stripper = next(one for one in hangs if one.station.kind == "stripper")
    assert stripper.travel_mm == 365.0 - 90.0
    assert hangs[0].travel_mm == 0.0  # the rear bushing: the ram comes no further back


def test_the_last_visits_positions_are_offered_and_dropped_visits_are_not(client, machine):
    swept(machine, travel=500.0)
    dropped = factories.visit(machine, state="dropped", dropped_why="x", opened_at=factories.NOW.replace(day=20))
    swept(machine, travel=111.0, visit=dropped)
    response = client.get(at("ram", machine))
    assert response.context["travels"] == [500.0]
    assert response.context["asked"].chosen_mm == 500.0
    assert b'href="?travel=500"' in response.content


def test_the_chart_draws_the_stroke_the_chosen_position_and_every_reading(client, machine):
    swept(machine, travel=600.0)
    figure = client.get(at("ram_figures", machine, travel=300)).json()["ram"]
    names = [trace["name"] for trace in figure["data"]]
    assert [name for name in names if "chosen" in name] == ["300\u202fmm from full back, chosen"] * 2
    forward = next(trace for trace in figure["data"] if "full forward" in trace["name"] and trace["yaxis"] == "y")
    z, line = untyped(forward["x"]), untyped(forward["y"])
    ram = record_of(machine).hanging.ram
    assert (len(z), len(names)) == (ALONG, 2 * (len(SHARES) + 1) + 3)
    assert 1000 * line[-1] == pytest.approx(hang(ram, [700.0], [700.0]).deflection_um[0, 0])  # shown in mm
    back = next(trace for trace in figure["data"] if "full back" in trace["name"] and trace["yaxis"] == "y")
    assert np.isnan(untyped(back["y"])[z > 95.0]).all()  # no ram is drawn in front of its nose
    assert {"Deflection, mm", "Slope, mm/m"} == {
        figure["layout"][axis]["title"]["text"] for axis in ("yaxis", "yaxis2")
    }
    read = next(trace for trace in figure["data"] if trace["name"] == "As the stations were read")
    assert (untyped(read["error_y"]["array"]) > 0.0).all()


@pytest.mark.parametrize("travel", ["abc", "nan", "-1", "611", "1e308", "9" * 50])
def test_a_ram_position_that_cannot_be_is_told_in_one_sentence(client, machine, travel):
    page = client.get(at("ram", machine, travel=travel))
    assert page.status_code == 422
    assert b'class="wrong"' in page.content or b"errorlist" in page.content
    assert client.get(at("ram_figures", machine, travel=travel)).status_code == 422


def test_a_ram_position_typed_long_ago_that_the_ram_cannot_take_leaves_the_page_whole(client, machine):
    swept(machine, travel=5000.0)
    page = client.get(at("ram", machine))
    assert page.status_code == 200
    assert b"is not in the" in page.content
    assert client.get(at("ram_figures", machine)).status_code == 200


def test_what_is_missing_is_named_and_only_who_may_is_led_to_the_set_up(client, signed_in, machine):
    Machine.objects.filter(pk=machine.pk).update(bushing_span_mm=None, ram_bore_mm=None)
    page = client.get(at("ram", machine)).content.decode()
    assert "the span between the bushings, the ram&#x27;s bore (0 for a solid one) are not on record" in page
    assert reverse("plant:ram", args=[machine.pk]) not in page
    assert client.get(at("ram_figures", machine)).json() == {}
    manager = factories.person("manager", machine.line.plant)
    assert reverse("plant:ram", args=[machine.pk]) in signed_in(manager).get(at("ram", machine)).content.decode()


def test_a_ram_that_makes_no_beam_is_told_in_a_sentence(client, machine):
    RamSection.objects.create(machine=machine, order=1, length_mm=400.0, outside_mm=60.0, bore_mm=30.0)
    page = client.get(at("ram", machine))
    assert (page.status_code, b"The sections add up to 400 mm" in page.content) == (200, True)


def test_a_solid_ram_on_an_oil_film_shows_less_clearance(machine):
    Machine.objects.filter(pk=machine.pk).update(ram_bore_mm=0.0, film_n_per_um=20.0)
    machine.refresh_from_db()
    hangs = at_stations(record_of(machine).hanging, list(machine.stations.all()), {}, 610.0)
    assert -20.0 < next(one for one in hangs if one.station.kind == "tool_pack").clearance_um < 0.0


def test_ten_visits_or_a_thousand_ask_the_same_of_the_database(client, machine):
    def asked():
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert client.get(at("ram", machine)).status_code == 200
        return len(queries)

    who = factories.person("mechanic", machine.line.plant)
    domer = machine.stations.get(kind="domer")
    client.get(at("ram", machine))
    counts = []
    for number in (10, 200):
        visits = Visit.objects.bulk_create(
            Visit(machine=machine, opened_by=who, opened_at=factories.NOW, reason="routine") for _ in range(number)
        )
        Sweep.objects.bulk_create(
            Sweep(visit=visit, station=domer, stage=Stage.AS_FOUND, ram_position_mm=600.0) for visit in visits
        )
        counts.append(asked())
    assert counts[0] == counts[1] <= 9
    assert positions_read(machine)[domer.pk, ""].travel_mm == 600.0
