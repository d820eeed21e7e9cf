"""Who may set up a plant: the services refuse by themselves, whatever page calls them; nonsense is never a 500."""

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linelog.plant.forms.adjuster import AdjusterForm
from linelog.plant.forms.machine import MachineForm, NewMarkForm, StationForm
from linelog.plant.forms.site import PlantForm, ShiftForm, StockForm
from linelog.plant.forms.tooling import FitForm, PartForm, RemovalForm, SetForm
from linelog.plant.models import DefectCode, FindingPlace, Fitting, Symptom, ToolingSet
from linelog.plant.services import machines, site, stations, tooling
from linelog.web.errors import NotAllowed
from linelog.web.models import AuditEvent
from tests import factories
from tests.plant.setting_up import at, manager_of, shift_of

pytestmark = pytest.mark.django_db
NOW = factories.NOW


def attempts(by, machine):
    """One write of every kind, tried by this person."""
    plant, station = machine.line.plant, machine.stations.get(kind="domer")
    adjuster, mark, tools = station.adjusters.first(), machine.marks.get(), ToolingSet.objects.get(plant=plant)
    who, seen = {"by": by, "at": NOW}, {"by": by, "at": NOW, "version": 1}
    new = machines.NewMachine(machine.line, "New")
    return [
        lambda: site.change_plant(plant=plant, facts={"can_cost": 1.0}, **seen),
        lambda: site.add_shift(plant=plant, code="Z", name="Z", starts=NOW.time(), **who),
        lambda: site.change_shift(shift=shift_of(plant), facts={"name": "Z"}, **seen),
        lambda: site.remove_shift(shift=shift_of(plant), **seen),
        lambda: site.add_line(plant=plant, name="Z", **who),
        lambda: site.rename_line(line=machine.line, name="Z", **seen),
        lambda: site.add_stock(plant=plant, name="Z", thicknesses_um=[10.0], **who),
        lambda: site.change_stock(stock=plant.shim_stocks.get(), name="Z", thicknesses_um=[10.0], **seen),
        lambda: machines.add_machine(new=new, **who),
        lambda: machines.copy_machine(like=machine, new=new, **who),
        lambda: machines.change_machine(machine=machine, facts={"name": "Z"}, **seen),
        lambda: machines.add_mark(
            machine=machine, mark="Z", starts_on=NOW.date(), ends_on=None, ends_others=True, **who
        ),
        lambda: machines.change_mark(mark=mark, facts={"ends_on": NOW.date()}, **seen),
        lambda: machines.remove_mark(mark=mark, **seen),
        lambda: stations.add_station(
            machine=machine, facts={"name": "Z", "kind": "other", "z_mm": 1.0, "limit_um": 9.0}, **who
        ),
        lambda: stations.change_station(station=station, facts={"limit_um": 9.0}, **seen),
        lambda: stations.move_station(station=station, place=7, steps=-1, **who),
        lambda: stations.set_active(station=station, active=False, **seen),
        lambda: stations.change_adjuster(adjuster=adjuster, facts={"max_um": 9.0}, **seen),
        lambda: stations.remove_adjuster(adjuster=adjuster, **seen),
        lambda: stations.remove_station(station=station, **seen),
        lambda: tooling.add_set(plant=plant, facts={"name": "Z"}, parts=[], **who),
        lambda: tooling.change_set(tooling_set=tools, facts={"name": "Z"}, parts=[], **seen),
        lambda: tooling.fit(tooling_set=tools, machine=machine, fitted_at=NOW, reason_out="", **who),
    ]


@pytest.fixture
def machine():
    made = factories.machine(mark="3")
    ToolingSet.objects.create(plant=made.line.plant, name="Set 1")
    return made


@pytest.mark.parametrize("role", ["viewer", "mechanic", "quality"])
def test_no_service_lets_another_role_write(machine, role):
    for attempt in attempts(factories.person(role, machine.line.plant), machine):
        with pytest.raises(NotAllowed):
            attempt()
    assert not AuditEvent.objects.exists()


def test_no_service_lets_a_manager_write_into_another_plant(machine):
    for attempt in attempts(factories.person("manager"), machine):
        with pytest.raises(NotAllowed):
            attempt()
    assert not AuditEvent.objects.exists()


def test_only_an_administrator_adds_a_plant(machine):
    with pytest.raises(NotAllowed):
        site.add_plant(by=manager_of(machine.line.plant), at=NOW, name="Z", timezone="UTC")


NONSENSE = st.one_of(
    st.sampled_from(
        ["", "0", "-1", "-0", "1e308", "nan", "inf", "∞", "١٢", "9" * 25, "0.0000001", "1,5", "1.5.5", "\0", "on"]
    ),
    st.text(max_size=30),
    st.decimals(allow_nan=True, allow_infinity=True).map(str),
    st.integers(-(10**30), 10**30).map(str),
    st.datetimes().map(lambda moment: moment.strftime("%Y-%m-%dT%H:%M")),
    st.dates().map(str),
)


def typed(form_class, prefix=""):
    names = [*form_class.base_fields, "limit_um_is", "shaft_uncertainty_um_is", "meant", "remove", "add_row", "way"]
    return st.dictionaries(st.sampled_from([f"{prefix}{name}" for name in names]), NONSENSE, max_size=12)


def pages(world):
    plant, machine, tools, fitting = world
    station = machine.stations.get(kind="domer")
    rows = {"parts-TOTAL_FORMS": "2", "parts-INITIAL_FORMS": "0"}
    return {
        "settings": (at("settings", plant.pk), PlantForm, {}),
        "shift": (at("shift", shift_of(plant).pk), ShiftForm, {}),
        "stock": (at("add_stock", plant.pk), StockForm, {}),
        "machine": (at("machine_edit", machine.pk), MachineForm, {}),
        "mark": (at("add_mark", machine.pk), NewMarkForm, {}),
        "station": (at("station", station.pk), StationForm, {}),
        "adjuster": (at("adjuster", station.adjusters.first().pk), AdjusterForm, {}),
        "set": (at("set_edit", tools.pk), SetForm, rows),
        "part": (at("add_set", plant.pk), PartForm, {**rows, "name": "Set 9"}),
        "fit": (at("fit", tools.pk), FitForm, {"machine": machine.pk}),
        "take_off": (at("take_off", fitting.pk), RemovalForm, {}),
    }


NAMES = ["settings", "shift", "stock", "machine", "mark", "station", "adjuster", "set", "part", "fit", "take_off"]


@pytest.fixture
def world(machine):
    plant = machine.line.plant
    tools = ToolingSet.objects.get(plant=plant)
    old = ToolingSet.objects.create(plant=plant, name="Set 2")
    return plant, machine, tools, Fitting.objects.create(tooling_set=old, machine=machine, fitted_at=NOW)


@pytest.mark.parametrize("name", NAMES)
def test_nonsense_is_refused_in_words_and_never_breaks_a_page(world, name):
    url, form_class, always = pages(world)[name]
    client = Client()  # raises what a page raises
    client.force_login(manager_of(world[0]))
    prefix = "parts-0-" if form_class is PartForm else ""

    @settings(
        max_examples=25, deadline=None, database=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(typed(form_class, prefix))
    def send(sent):
        response = client.post(url, {**always, **sent})
        assert response.status_code in {200, 302, 404, 409, 422}

    send()


def test_the_quality_lead_reads_places_codes_and_symptoms_and_changes_none(signed_in):
    quality = factories.person("quality")
    plant = quality.plant
    FindingPlace.objects.create(plant=plant, name="Pallet hall")
    code = DefectCode.objects.create(plant=plant, code="WR", name="Wrinkled neck")
    Symptom.objects.create(code=code, station_kind="domer", aspect="any", words="Look at the clamp ring.")
    url = reverse("plant:tracing", args=[plant.pk])
    client = signed_in(quality)
    assert url in client.get(reverse("trends:findings")).content.decode()
    text = client.get(url).content.decode()
    for told in ("Pallet hall", "WR", "Wrinkled neck", "Look at the clamp ring."):
        assert told in text
    main = text.split("<main", 1)[1]
    assert "/setup/" not in main.replace(url, ""), "no link that would be refused"
    assert client.get(reverse("plant:code", args=[code.pk])).status_code == 403
    assert "Add a defect code" in signed_in(factories.person("manager", plant)).get(url).content.decode()
