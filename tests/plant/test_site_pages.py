"""The plant itself: settings, shifts, lines and shim stocks through the program's own addresses."""

import datetime as dt

import pytest

from linelog.plant.forms.site import PlantForm
from linelog.plant.models import Line, Plant, Shift, ShimStock
from linelog.production.models import ShiftCount
from linelog.web.models import AuditEvent
from tests import factories
from tests.plant.setting_up import at, manager_of, said, shift_of, typed

pytestmark = pytest.mark.django_db
LENGTHS = (
    "closure_limit_um",
    "return_limit_um",
    "indicator_resolution_um",
    "usual_scatter_um",
    "shaft_uncertainty_um",
    "bushing_wear_limit_um",
    "cup_wall_um",
    "wall_good_um",
    "wall_look_um",
    "wall_act_um",
    "wall_step_um",
    "wall_scatter_um",
)


@pytest.fixture
def plant():
    return factories.plant()


@pytest.fixture
def client(signed_in, plant):
    return signed_in(manager_of(plant))


def settings_typed(plant, **changes):
    in_mm = {name: getattr(plant, name) / 1000 for name in LENGTHS}
    sent = typed(PlantForm, plant, **in_mm, shaft_uncertainty_um_is="offset", day_starts="06:00")
    return {**sent, **changes}


def test_a_manager_sees_the_plant_and_everything_of_it(client, plant):
    machine = factories.machine(factories.line(plant), mark="7", serial="A-77")
    page = said(client.get(at("setup")))
    for words in (machine.name, "A-77", "Shim stock", "06:00", "Add a machine", "Add a tooling set"):
        assert words in page
    assert "Add a plant" not in page


def test_an_administrator_chooses_a_plant_first_and_can_add_one(client, plant):
    client.force_login(factories.person("administrator"))
    assert plant.name in said(client.get(at("setup")))
    made = client.post(at("add_plant"), {"name": "Hilltop", "timezone": "Europe/Berlin"})
    assert made.status_code == 302
    hilltop = Plant.objects.get(name="Hilltop")
    assert made.url == at("plant", hilltop.pk)
    assert hilltop.shifts.count() == 3
    again = client.post(at("add_plant"), {"name": "Hilltop", "timezone": "UTC"})
    assert (again.status_code, "of this name already" in said(again)) == (422, True)


def test_settings_are_stored_in_um_with_their_history(client, plant):
    response = client.post(
        at("settings", plant.pk), settings_typed(plant, closure_limit_um="0,03", risk_percent="15")
    )
    assert response.status_code == 302, said(response)
    plant.refresh_from_db()
    assert (plant.closure_limit_um, plant.risk_percent, plant.version) == (30.0, 15.0, 2)
    event = AuditEvent.objects.get(object_type="plant", action="changed")
    assert (event.before["closure_limit_um"], event.after["closure_limit_um"]) == (25.0, 30.0)
    assert event.plant_id == plant.pk


def test_a_carrier_given_as_tir_is_halved(client, plant):
    sent = settings_typed(plant, shaft_uncertainty_um="0.004", shaft_uncertainty_um_is="tir")
    assert client.post(at("settings", plant.pk), sent).status_code == 302
    plant.refresh_from_db()
    assert plant.shaft_uncertainty_um == 2.0


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("closure_limit_um", "0", "above zero"),
        ("return_limit_um", "-0.005", "above zero"),
        ("risk_percent", "100", "between 0.1 and 99.9"),
        ("risk_percent", "nan", "not a number"),
        ("can_cost", "-1", "can't be negative"),
        ("can_cost", "1e308", "not a number"),
        ("closure_limit_um", "9" * 19, "or less"),
        ("repeat_out", "6", "more visits than are looked at"),
        ("tear_off_poor_per_million", "40", "above the good one"),
        ("timezone", "Mars/Olympus", "valid choice"),
        ("day_starts", "25:00", "time of day"),
    ],
)
def test_a_setting_that_cannot_be_is_refused_beside_its_field(client, plant, field, value, sentence):
    response = client.post(at("settings", plant.pk), settings_typed(plant, **{field: value}))
    assert response.status_code == 422
    assert sentence in said(response)
    assert f'id="id_{field}_error"' in said(response)
    plant.refresh_from_db()
    assert plant.version == 1


def test_two_people_at_the_settings_the_second_is_shown_both(client, plant):
    Plant.objects.filter(pk=plant.pk).update(can_cost=0.05, version=2)
    response = client.post(at("settings", plant.pk), settings_typed(plant, can_cost="0.04"))
    assert response.status_code == 409
    page = said(response)
    assert "changed by somebody else" in page
    assert "<td>0.05</td><td>0.04</td>" in page
    plant.refresh_from_db()
    assert plant.can_cost == 0.05
    replaced = client.post(at("settings", plant.pk), settings_typed(plant, can_cost="0.04", version=2))
    assert replaced.status_code == 302


def test_only_an_administrator_says_whether_a_plant_is_invented(client, plant):
    client.post(at("settings", plant.pk), settings_typed(plant, is_invented="on"))
    plant.refresh_from_db()
    assert not plant.is_invented


def test_a_shift_is_added_changed_and_removed(client, plant):
    added = client.post(at("add_shift", plant.pk), {"code": "D", "name": "Weekend", "starts": "10:00"})
    assert added.status_code == 302
    shift = Shift.objects.get(plant=plant, code="D")
    sent = {"code": "W", "name": "Weekend", "starts": "11:00", "version": 1}
    assert client.post(at("shift", shift.pk), sent).status_code == 302
    shift.refresh_from_db()
    assert (shift.code, shift.starts, shift.version) == ("W", dt.time(11), 2)
    assert client.post(at("shift", shift.pk), {"remove": "1", "version": 2}).status_code == 302
    assert not Shift.objects.filter(pk=shift.pk).exists()


@pytest.mark.parametrize(
    ("changes", "sentence"), [({"code": "A"}, "of this code"), ({"starts": "06:00"}, "starts at this time")]
)
def test_two_shifts_of_one_code_or_start_are_refused(client, plant, changes, sentence):
    sent = {"code": "D", "name": "Late", "starts": "10:00", **changes}
    response = client.post(at("add_shift", plant.pk), sent)
    assert (response.status_code, sentence in said(response)) == (422, True)


def test_a_shift_that_counts_use_stays_and_says_so(client, plant):
    shift = shift_of(plant)
    machine = factories.machine(factories.line(plant))
    ShiftCount.objects.create(machine=machine, day=dt.date(2026, 6, 1), shift=shift, cans=1)
    response = client.post(at("shift", shift.pk), {"remove": "1", "version": 1})
    assert response.status_code == 422
    assert "Counts are stored under shift" in said(response)
    assert Shift.objects.filter(pk=shift.pk).exists()
    assert not AuditEvent.objects.filter(action="removed").exists()


def test_a_line_is_added_renamed_and_removed_only_while_empty(client, plant):
    assert client.post(at("add_line", plant.pk), {"name": "Line 9"}).status_code == 302
    line = Line.objects.get(name="Line 9")
    assert client.post(at("line", line.pk), {"name": "Line X", "version": 1}).status_code == 302
    line.refresh_from_db()
    assert line.name == "Line X"
    double = client.post(at("add_line", plant.pk), {"name": "Line X"})
    assert (double.status_code, "of this name already" in said(double)) == (422, True)
    factories.machine(line)
    full = client.post(at("line", line.pk), {"remove": "1", "version": 2})
    assert (full.status_code, "has machines" in said(full)) == (422, True)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("0.01 0.02 0.05 mm", [10.0, 20.0, 50.0]),
        ("0,05 0,01", [10.0, 50.0]),
        ("0.1; 0.05, 0.2", [50.0, 100.0, 200.0]),
        ("10 20 µm", [10.0, 20.0]),
        ("0.001 0.002 in", [25.4, 50.8]),  # 0.001 in is 25.4 um exactly: NIST SP 811
    ],
)
def test_thicknesses_are_read_from_a_list(client, plant, text, found):
    response = client.post(at("add_stock", plant.pk), {"name": "Brass", "thicknesses": text})
    assert response.status_code == 302, said(response)
    stock = ShimStock.objects.get(name="Brass")
    assert list(stock.thicknesses.values_list("thickness_um", flat=True)) == found


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "at least one thickness"),
        ("mm", "at least one thickness"),
        ("0.01 thick", "not a number"),
        ("0.05 0.05", "listed twice"),
        ("0.05 0", "above zero"),
        ("0.05 -0.01", "above zero"),
        ("0.05 9", "no shim"),
        ("0.002", "in inches?"),
        ("0.05 inf", "not a number"),
        (" ".join(f"{n}" for n in range(10, 60)) + " um", "at most 40"),
    ],
)
def test_a_list_that_is_no_stock_is_refused(client, plant, text, sentence):
    response = client.post(at("add_stock", plant.pk), {"name": "Brass", "thicknesses": text})
    assert response.status_code == 422
    assert sentence in said(response)
    assert not ShimStock.objects.filter(name="Brass").exists()


def test_a_thickness_in_doubt_is_taken_once_it_is_meant(client, plant):
    sent = {"name": "Foil", "thicknesses": "0.002", "meant": "thicknesses=0.002"}
    assert client.post(at("add_stock", plant.pk), sent).status_code == 302


def test_a_stock_is_changed_with_its_history_and_stays_while_packs_use_it(client, plant):
    factories.machine(factories.line(plant))
    stock = plant.shim_stocks.get()
    sent = {"name": "Steel", "thicknesses": "0.1 0.2", "version": 1}
    assert client.post(at("stock", stock.pk), sent).status_code == 302
    event = AuditEvent.objects.get(action="changed thicknesses")
    assert event.after["thicknesses_um"] == [100.0, 200.0]
    used = client.post(at("stock", stock.pk), {"remove": "1", "version": 2})
    assert (used.status_code, "Shim packs are made from" in said(used)) == (422, True)


def test_the_other_value_of_a_limit_is_told_while_it_is_typed(client):
    def ask(value, given_as):
        return said(client.get(at("other"), {"name": "limit_um", "limit_um": value, "limit_um_is": given_as}))

    # TIR of a round, offset bore is twice the offset: common practice, derived from the geometry of the sweep.
    assert "(TIR) of 0.026" in ask("0.013", "offset")
    assert "offset of 0.013" in ask("0,026", "tir")
    for nonsense in ("", "x", "nan", "1e308", "-1", "9" * 30):
        assert "of" not in ask(nonsense, "offset")
