"""Machines, their marks, stations and adjusters through the program's own addresses."""

import datetime as dt

import pytest

from linelog.alignment.models import MoveMade, Sweep
from linelog.plant.drawing import along_ram
from linelog.plant.forms.adjuster import AdjusterForm
from linelog.plant.forms.machine import MachineForm
from linelog.plant.models import Adjuster, Machine, MarkAssignment, Station
from linelog.web.models import AuditEvent
from tests import factories
from tests.plant.setting_up import at, manager_of, said, station_typed, typed

pytestmark = pytest.mark.django_db


@pytest.fixture
def machine():
    return factories.machine(factories.line(), name="BM 03", mark="3")


@pytest.fixture
def client(signed_in, machine):
    return signed_in(manager_of(machine.line.plant))


@pytest.fixture
def domer(machine):
    return machine.stations.get(kind="domer")


def machine_typed(machine, **changes):
    return typed(MachineForm, machine, **changes)


def adjuster_typed(adjuster, **changes):
    lengths = {name: getattr(adjuster, name) / 1000 for name in ("resolution_um", "min_um", "max_um")}
    return {**typed(AdjusterForm, adjuster), **lengths, **changes}


def test_a_new_machine_takes_one_form(client, machine):
    plant = machine.line.plant
    sent = {"line": machine.line_id, "name": "BM 04", "kind": "bodymaker", "mark": "4", "serial": "S4"}
    response = client.post(at("add_machine", plant.pk), {**sent, "in_service_on": "2026-01-05"})
    made = Machine.objects.get(name="BM 04")
    assert response.url == at("machine", made.pk)
    assert made.stations.count() == machine.stations.count()
    assert Adjuster.objects.filter(station__machine=made).count() > 10
    assert made.marks.get().starts_on == dt.date(2026, 1, 5)
    assert made.stroke_mm == 610.0
    double = client.post(at("add_machine", plant.pk), sent)
    assert (double.status_code, "of this name already" in said(double)) == (422, True)


def test_a_line_of_another_plant_cannot_be_chosen(client, machine):
    sent = {"line": factories.line().pk, "name": "BM 05", "kind": "bodymaker"}
    assert client.post(at("add_machine", machine.line.plant_id), sent).status_code == 422


def test_a_machine_like_another_has_its_geometry_stations_and_adjusters(client, machine, domer):
    Machine.objects.filter(pk=machine.pk).update(stroke_mm=587.0)
    Station.objects.filter(pk=domer.pk).update(limit_um=31.0)
    machine.stations.filter(kind="stripper").update(is_active=False)
    sent = {"line": machine.line_id, "name": "BM 09"}
    assert client.post(at("machine_copy", machine.pk), sent).status_code == 302
    made = Machine.objects.get(name="BM 09")
    copied = made.stations.get(kind="domer")
    assert (made.stroke_mm, copied.limit_um, made.marks.count()) == (587.0, 31.0, 0)
    assert [a.name for a in copied.adjusters.all()] == [a.name for a in domer.adjusters.all()]
    assert not made.stations.filter(kind="stripper").exists()


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"dome_from_deg": "195"}, "this must be above 195"),
        ({"return_to_deg": "100"}, "this must be above 190"),
        ({"stroke_mm": "0"}, "between 1 and 2000 mm"),
        ({"speed_spm": "-5"}, "between 1 and 1000"),
        ({"rod_length_mm": "300"}, "longer than the crank"),
        ({"stroke_mm": "24"}, "is it in inches?"),
        ({"in_service_on": "2026-02-01", "out_of_service_on": "2026-01-01"}, "before it came"),
        ({"rod_length_mm": "infinity"}, "not a number"),
        ({"stroke_mm": "705"}, "behind the front bushing"),
    ],
)
def test_geometry_no_machine_can_have_is_refused_beside_the_field(client, machine, changes, sentence):
    response = client.post(at("machine_edit", machine.pk), {**machine_typed(machine), **changes})
    assert response.status_code == 422
    assert sentence in said(response)
    machine.refresh_from_db()
    assert machine.version == 1


def test_geometry_is_changed_and_an_odd_stroke_is_taken_once_meant(client, machine):
    sent = {**machine_typed(machine), "stroke_mm": "24", "rod_length_mm": "300", "meant": "stroke_mm=24"}
    assert client.post(at("machine_edit", machine.pk), sent).status_code == 302
    machine.refresh_from_db()
    assert (machine.stroke_mm, machine.version) == (24.0, 2)


def test_a_mark_on_two_machines_is_kept_and_said(client, machine):
    other = factories.machine(machine.line, name="BM 08")
    sent = {"mark": "3", "starts_on": "2026-03-01"}
    response = client.post(at("add_mark", other.pk), sent, follow=True)
    assert "also belongs to BM 03" in said(response)
    assert "from 2026-03-01 on" in said(response)
    assert other.marks.count() == 1


def test_a_new_mark_ends_the_one_before_when_asked(client, machine):
    sent = {"mark": "33", "starts_on": "2026-03-01", "ends_others": "on"}
    assert client.post(at("add_mark", machine.pk), sent).status_code == 302
    assert machine.marks.get(mark="3").ends_on == dt.date(2026, 2, 28)
    page = said(client.get(at("machine", machine.pk)))
    assert "also carries mark" not in page


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        ({"mark": "8", "starts_on": "2026-03-02", "ends_on": "2026-03-01"}, "last day is before the first"),
        ({"mark": "3", "starts_on": "2026-03-01"}, "has mark 3 from 2025-01-01 already"),
        ({"mark": "8", "starts_on": "2026-02-30"}, "not a date"),
        ({"mark": "8", "starts_on": "0001-01-01"}, "between 2000"),
        ({"mark": "much too long", "starts_on": "2026-03-01"}, "up to 8 letters"),
    ],
)
def test_marks_that_cannot_be_are_refused(client, machine, sent, sentence):
    response = client.post(at("add_mark", machine.pk), sent)
    assert (response.status_code, sentence in said(response)) == (422, True)
    assert machine.marks.count() == 1


def test_a_mark_is_ended_and_one_written_by_mistake_taken_out(client, machine):
    mark = machine.marks.get()
    sent = {"mark": "3", "starts_on": "2025-01-01", "ends_on": "2026-05-31", "version": 1}
    assert client.post(at("mark", mark.pk), sent).status_code == 302
    mark.refresh_from_db()
    assert mark.ends_on == dt.date(2026, 5, 31)
    assert client.post(at("mark", mark.pk), {"remove": "1", "version": 1}).status_code == 409
    assert client.post(at("mark", mark.pk), {"remove": "1", "version": 2}).status_code == 302
    assert not MarkAssignment.objects.exists()


def test_a_limit_given_as_tir_is_stored_as_the_offset(client, domer):
    sent = station_typed(domer, limit_um="0.05", limit_um_is="tir")
    assert client.post(at("station", domer.pk), sent).status_code == 302
    domer.refresh_from_db()
    assert domer.limit_um == 25.0
    assert "(TIR) of 0.050" in said(client.get(at("station", domer.pk)))


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"limit_um": "0"}, "A limit must be above zero."),
        ({"limit_um": "-0.02"}, "A limit must be above zero."),
        ({"limit_um": "0.0015"}, "is this in inches?"),
        ({"limit_um": "38"}, "is this in µm?"),
        ({"limit_um": "1e308"}, "not a number"),
        ({"limit_um": ""}, "required"),
        ({"tilt_limit_mm_per_m": "0"}, "above zero"),
        ({"face_radius_mm": "-3"}, "between 0.1"),
        ({"rear_z_mm": "700"}, "behind the front one"),
        ({"surface": "bore", "carrier": "component"}, "sweeps the outside of the ram"),
        ({"name": "Stripper"}, "of this name already"),
        ({"z_mm": "NaN"}, "not a number"),
    ],
)
def test_a_station_that_cannot_be_is_refused_beside_the_field(client, domer, changes, sentence):
    response = client.post(at("station", domer.pk), station_typed(domer, **changes))
    assert response.status_code == 422
    assert sentence in said(response)
    domer.refresh_from_db()
    assert domer.version == 1


def test_a_limit_in_doubt_is_taken_once_it_is_meant(client, domer):
    sent = station_typed(domer, limit_um="0.0015", meant="limit_um=0.0015")
    assert client.post(at("station", domer.pk), sent).status_code == 302
    domer.refresh_from_db()
    assert domer.limit_um == 1.5


def test_lengths_are_typed_in_the_persons_unit(client, domer):
    client.force_login(manager_of(domer.machine.line.plant, unit="inch"))
    sent = station_typed(domer, limit_um="0.001")
    assert client.post(at("station", domer.pk), sent).status_code == 302
    domer.refresh_from_db()
    assert domer.limit_um == pytest.approx(25.4)  # 0.001 in is 25.4 um exactly: NIST SP 811


def test_two_people_at_a_station_the_second_is_shown_both(client, domer):
    Station.objects.filter(pk=domer.pk).update(limit_um=50.0, version=2)
    response = client.post(at("station", domer.pk), station_typed(domer, limit_um="0.03"))
    assert response.status_code == 409
    assert "<td>0.05</td><td>0.03</td>" in said(response)


def test_a_new_station_takes_its_place_along_the_ram(client, machine):
    like = machine.stations.get(kind="stripper")
    sent = station_typed(like, name="Air jet", z_mm="200")
    assert client.post(at("add_station", machine.pk), sent).status_code == 302
    names = [station.name for station in machine.stations.order_by("order")]
    assert names.index("Air jet") == names.index("Tool pack") - 1
    assert [s.order for s in machine.stations.order_by("order")] == list(range(1, len(names) + 1))


def test_stations_move_up_and_down_and_a_stale_press_is_told(client, machine, domer):
    assert client.post(at("station_move", domer.pk), {"way": "up", "place": "7"}).status_code == 302
    assert [s.kind for s in machine.stations.order_by("order")][-2:] == ["domer", "stripper"]
    assert "does not follow the positions" in said(client.get(at("machine", machine.pk)))
    assert client.post(at("station_move", domer.pk), {"way": "up", "place": "7"}).status_code == 409
    for nonsense in ({"way": "sideways", "place": "6"}, {"way": "up", "place": "x"}, {}):
        assert client.post(at("station_move", domer.pk), nonsense).status_code == 422
    assert AuditEvent.objects.filter(action="reordered stations").count() == 1


def test_a_station_with_visits_is_taken_out_of_use_and_not_removed(client, machine, domer):
    visit = factories.visit(machine)
    Sweep.objects.create(visit=visit, station=domer, stage="as_found")
    refused = client.post(at("station", domer.pk), {"remove": "1", "version": 1})
    assert (refused.status_code, "has visits" in said(refused)) == (422, True)
    assert client.post(at("station_active", domer.pk), {"active": "0", "version": 1}).status_code == 302
    domer.refresh_from_db()
    assert not domer.is_active
    assert client.post(at("station_active", domer.pk), {"active": "1", "version": 1}).status_code == 409
    unused = machine.stations.get(kind="stripper")
    assert client.post(at("station", unused.pk), {"remove": "1", "version": 1}).status_code == 302
    assert not Station.objects.filter(pk=unused.pk).exists()


def test_the_drawing_is_to_scale_and_no_name_crosses_a_line(machine):
    stations = list(machine.stations.all())
    drawing = along_ram(machine, stations)
    marks = sorted(drawing.marks, key=lambda mark: mark.x)
    scale = (marks[-1].x - marks[0].x) / (650.0 + 500.0)
    tool_pack = next(mark for mark in marks if mark.name == "Tool pack")
    assert tool_pack.x - tool_pack.rear_x == pytest.approx(180.0 * scale, abs=0.2)
    assert drawing.zero_x - marks[0].x == pytest.approx(500.0 * scale, abs=0.2)
    for mark in marks:
        ends = mark.text_x + 9.5 * len(mark.name)
        crossing = [o for o in marks if mark.x < o.x < ends and o.text_y >= mark.text_y]
        assert not crossing, mark.name
        assert ends <= 1000


def test_an_adjuster_is_added_by_kind_and_offers_moves(client, domer):
    form = client.get(at("add_adjuster", domer.pk, "screw"))
    assert "Pitch" in said(form)
    assert "Packs are made from" not in said(form)
    sent = {
        "name": "Second lift",
        "z_mm": "600",
        "pushes": "other",
        "direction_deg": "45",
        "pitch_mm": "1,25",
        "clockwise_is_positive": "0",
        "resolution_um": "0.005",
        "min_um": "-0.5",
        "max_um": "0.5",
    }
    assert client.post(at("add_adjuster", domer.pk, "screw"), sent).status_code == 302
    made = Adjuster.objects.get(name="Second lift")
    assert (made.direction_deg, made.pitch_mm, made.clockwise_is_positive) == (45.0, 1.25, False)
    assert (made.min_um, made.max_um, made.along_z) == (-500.0, 500.0, False)


def test_the_trial_says_what_a_small_move_asks_in_shop_words(client, domer):
    page = said(client.get(at("station", domer.pk)))
    # Pitch 1.5 mm: 0.10 mm is a fifteenth of a turn, 0.4 flats of a hexagon. Derived.
    assert "Lift screw: about 1/2 flat in, to 0.10 mm on the indicator" in page
    domer.adjusters.filter(name="Lift screw").update(clockwise_is_positive=False)
    assert "Lift screw: about 1/2 flat out" in said(client.get(at("station", domer.pk)))
    domer.adjusters.filter(name="Lift screw").delete()
    assert "No adjuster moves it toward" in said(client.get(at("station", domer.pk)))


@pytest.mark.parametrize(
    ("name", "changes", "sentence"),
    [
        ("Lift screw", {"pitch_mm": "0"}, "The pitch must be above zero"),
        ("Lift screw", {"pitch_mm": ""}, "A screw needs its pitch."),
        ("Lift screw", {"min_um": "1", "max_um": "-1"}, "the least travel is zero or below"),
        ("Lift screw", {"min_um": "0", "max_um": "0"}, "below the greatest"),
        ("Lift screw", {"min_um": "-30"}, "must lie between -20000 and 20000"),
        ("Lift screw", {"pushes": "other", "direction_deg": ""}, "Which way, in degrees"),
        ("Lift screw", {"pushes": "other", "direction_deg": "400"}, "from 0 to 360"),
        ("Lift screw", {"pushes": "along"}, "Where does it stand?"),
        ("Lift screw", {"resolution_um": "0"}, "above zero"),
        ("Lift screw", {"name": "Side screw"}, "of this name already"),
        ("Tilt shim at 12", {"stock": "999999"}, "valid choice"),
    ],
)
def test_an_adjuster_that_cannot_be_is_refused_beside_the_field(client, domer, name, changes, sentence):
    adjuster = domer.adjusters.get(name=name)
    response = client.post(at("adjuster", adjuster.pk), {**adjuster_typed(adjuster), **changes})
    assert response.status_code == 422
    assert sentence in said(response)
    adjuster.refresh_from_db()
    assert adjuster.version == 1


def test_an_empty_stock_is_refused_for_a_pack(client, domer):
    plant = domer.machine.line.plant
    empty = plant.shim_stocks.create(name="Empty")
    adjuster = domer.adjusters.get(name="Tilt shim at 12")
    response = client.post(at("adjuster", adjuster.pk), adjuster_typed(adjuster, stock=empty.pk))
    assert (response.status_code, "There is no shim stock" in said(response)) == (422, True)


def test_every_template_adjuster_can_be_stored_as_it_stands(client, machine):
    for adjuster in Adjuster.objects.filter(station__machine=machine):
        response = client.post(at("adjuster", adjuster.pk), adjuster_typed(adjuster))
        assert response.status_code == 302, said(response)
        kept = Adjuster.objects.get(pk=adjuster.pk)
        for fact in ("direction_deg", "along_z", "at_x_mm", "at_y_mm", "pitch_mm", "min_um", "max_um", "stock_id"):
            assert getattr(kept, fact) == getattr(adjuster, fact), fact


def test_an_adjuster_with_moves_in_the_log_is_not_removed(client, machine, domer):
    lift, side = domer.adjusters.get(name="Lift screw"), domer.adjusters.get(name="Side screw")
    visit = factories.visit(machine)
    MoveMade.objects.create(
        visit=visit, station=domer, adjuster=lift, unit="mm", by=visit.opened_by, at=factories.NOW, words="up a bit"
    )
    refused = client.post(at("adjuster", lift.pk), {"remove": "1", "version": 1})
    assert (refused.status_code, "are in the log" in said(refused)) == (422, True)
    assert client.post(at("adjuster", side.pk), {"remove": "1", "version": 1}).status_code == 302


def test_an_unknown_kind_of_adjuster_is_nothing(client, domer):
    assert client.get(at("add_adjuster", domer.pk, "crowbar")).status_code == 404
