"""The bar in the cradle: own sag and centring, one error for its stations, no droop, a series of its own."""

import datetime as dt

import numpy as np
import pytest
from django.utils import timezone

from linelog.alignment.computing import compute
from linelog.alignment.models import BarSetup, Result, SetByFitting, Visit
from linelog.alignment.pairs import pairs_of
from linelog.alignment.queries import sweeps_of
from linelog.alignment.running import Knowledge, as_running, knowledge_of, shift_for
from linelog.alignment.values import signed_results, standing
from linelog.trends.carrying import places_of, severities
from linelog.trends.due.tracks import Jolts, Strokes, runs_of
from linelog.trends.series import offset_series
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, address, type_round
from tests.alignment.signing import sign
from tests.alignment.test_sent_late import SET_UP
from tests.trends import invented

pytestmark = pytest.mark.django_db
BAR = {
    "unit": "mm",
    "sag": "0.02",
    "sag_is": "indicated",
    "sag_uncertainty": "0.002",
    "centring": "0.02",
    "version": "0",
}
NOW = timezone.now().replace(microsecond=0)


@pytest.fixture
def job(signed_in):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    return signed_in(mechanic), visit, machine.stations.get(kind="domer")


def on_bar(client, visit, station, stage="as_found", **place):
    form = SET_UP | {"positions": "4", "touches": "bar-bore"}
    answer = client.post(address("sweep", visit, station, stage=stage, **place), form, headers=HTMX)
    assert answer.status_code == 200


def test_without_its_set_up_a_bar_gives_no_offset_and_says_what_is_missing(job):
    client, visit, domer = job
    on_bar(client, visit, domer)
    page = type_round(client, visit, domer, CENTRED).content.decode()
    assert "its sag and centring" in page
    assert not Result.objects.exists()


def test_its_own_sag_and_centring_go_in_and_its_change_is_worked_in(job):
    """An indicated sag of 0.02 reads 0, 0.01, 0.02, 0.01 in a centred bore, sag(t) = S*(1 - cos t)/2."""
    client, visit, domer = job
    on_bar(client, visit, domer)
    assert client.post(address("bar_set_up", visit), BAR).status_code == 302
    type_round(client, visit, domer, {"0": "0", "90": "0.01", "180": "0.02", "270": "0.01"})
    row = Result.objects.get()
    assert row.carrier == "bar"
    assert (row.x_um, row.y_um) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert row.expanded_um > 20.0
    wider = BAR | {"centring": "0.06", "version": "1"}
    assert client.post(address("bar_set_up", visit), wider).status_code == 302
    assert Result.objects.get().expanded_um > 60.0
    assert client.post(address("bar_set_up", visit), BAR).status_code == 409


def test_the_shared_error_of_centring_is_no_slope_between_two_seats(job):
    client, visit, _ = job
    pack = visit.machine.stations.get(kind="tool_pack")
    client.post(address("bar_set_up", visit), BAR | {"centring": "0.2", "sag_uncertainty": "0"})
    for seat in ("front", "rear"):
        on_bar(client, visit, pack, seat=seat)
        type_round(client, visit, pack, {"0": "0", "90": "0.01", "180": "0.02", "270": "0.01"}, seat=seat)
    found = compute(station=pack, stage="as_found", plant=visit.machine.line.plant, rows=sweeps_of(visit, pack))
    length = pack.z_mm - pack.rear_z_mm
    assert found.seats["front"].value.radial.U > 200.0
    assert 0.5 * 200.0 / length > found.tilt.radial.U  # 200 um in each seat apart would be 1.6 mm/m


def test_no_droop_is_taken_off_what_a_bar_saw(job):
    client, visit, domer = job
    client.post(address("bar_set_up", visit), BAR)
    on_bar(client, visit, domer)
    type_round(client, visit, domer, {"0": "0", "90": "0.01", "180": "0.02", "270": "0.01"})
    known = knowledge_of(visit.machine, [domer])
    assert shift_for(known, domer, "", None, NOW).dy_um < -20.0  # the hanging ram's: TRADE 6
    found = compute(station=domer, stage="as_found", plant=visit.machine.line.plant, rows=sweeps_of(visit, domer))
    running = as_running(found, known, NOW)
    assert running.found.seats[""].value.y == pytest.approx(found.seats[""].value.y)
    assert "no ram droop" in running.sentence
    assert as_running(found, Knowledge(), NOW) is not None


@pytest.fixture
def mixed():
    """Left by the ram 100 um high four times, each visit's next found by the bar at 0; running values follow both."""
    machine = factories.machine()
    manager = factories.person("manager", machine.line.plant)
    domer = machine.stations.get(kind="domer")
    rows = []
    for number in range(6):
        visit = invented.signed_visit(machine, manager, NOW - dt.timedelta(days=20 * (6 - number)))
        bar = number % 2 == 1
        xy = (0.0, 0.0) if bar else (0.0, 100.0)
        carrier = "bar" if bar else "ram"
        rows += [invented.result(visit, domer, stage, xy, carrier=carrier) for stage in ("as_found", "as_left")]
        rows.append(
            invented.result(visit, domer, "as_left", (0.0, 5.0), method="running", carrier="", at=visit.signed_at)
        )
    invented.store(rows)
    return machine, domer


def test_pairs_are_kept_for_each_carrier(mixed):
    _, domer = mixed
    by_ram = [one.pair.difference_um[1] for one in pairs_of([domer]).get(domer.pk, ())]
    by_bar = [one.pair.difference_um[1] for one in pairs_of([domer], bar=True).get(domer.pk, ())]
    assert by_ram
    assert set(by_ram) == {-95.0}
    assert set(by_bar) == {5.0}


def test_two_carriers_are_never_one_series_nor_one_drift(mixed):
    machine, domer = mixed
    values = standing(signed_results(machine)).values
    labels = [one.label for one in offset_series(values, [domer])]
    assert labels == ["Domer, on the bar", "Domer, running", "Domer"]
    days = np.arange(NOW.date() - dt.timedelta(days=200), NOW.date())
    found = runs_of(values, Strokes.of(days, np.full(len(days), 300_000)), Jolts(), lambda at: at.date())
    assert not [run for own in found.values() for run in own if run.pairs]
    static = [value for value in values if value.method == "static"]
    order = {visit: number for number, visit in enumerate(dict.fromkeys(value.visit_id for value in static))}
    places = places_of(static, order, {domer.pk: "domer"})
    made = np.arange(6, dtype=float)
    worst, _ = severities(places, made, made[:-1] + 0.9, np.arange(1, 6))
    assert worst == pytest.approx([100 / 38, 0.0, 100 / 38, 0.0, 100 / 38], abs=0.01)  # flat between, no slope across


def test_a_station_set_by_a_fitting_is_recorded_verified_or_not(job):
    client, visit, domer = job
    type_round(client, visit, domer, CENTRED)
    sent = {"station": domer.pk, "fitting": "CF-2"}
    assert "set-up of the bar first" in client.post(address("bar_fitting", visit), sent).content.decode()
    client.post(address("bar_set_up", visit), BAR)
    assert client.post(address("bar_fitting", visit), sent).status_code == 302
    assert "not by a sweep" in client.get(address("bar", visit)).content.decode()
    sign(client, visit)
    visit.refresh_from_db()
    assert visit.state == Visit.State.SIGNED
    assert not Result.objects.filter(stage="as_left").exists()  # what was found is not how it was left
    assert SetByFitting.objects.get().fitting == "CF-2"


def test_a_sweep_as_left_verifies_it_and_it_can_be_taken_back(job):
    client, visit, domer = job
    client.post(address("bar_set_up", visit), BAR)
    client.post(address("bar_fitting", visit), {"station": domer.pk, "fitting": "CF-2"})
    type_round(client, visit, domer, CENTRED, stage="as_left")
    assert "by a sweep as left" in client.get(address("bar", visit)).content.decode()
    client.post(address("bar_fitting", visit), {"back": domer.pk})
    assert not SetByFitting.objects.exists()


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"centring": "0"}, "or more"),
        ({"sag": "-1"}, "or more"),
        ({"sag": "x"}, "not a number"),
        ({"centring": ""}, "required"),
    ],
)
def test_bad_input_is_refused_where_it_was_typed(job, form, says):
    client, visit, _ = job
    answer = client.post(address("bar_set_up", visit), BAR | form)
    assert answer.status_code == 422
    assert says in answer.content.decode()
    assert not BarSetup.objects.exists()
