"""Beam against experience: agreement, the flag where they part, the list of machines, and the manager's switch."""

import datetime as dt

import numpy as np
import pytest
import statsmodels.api as sm
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from scipy import stats

from linelog.alignment.reconciled import reconcile, running_stations
from linelog.alignment.running import knowledge_of
from linelog.calc.droop import hang
from linelog.calc.reconcile import Agreement, Measured, Pair, learn
from linelog.plant.models import Machine
from linelog.web.plotly import untyped
from tests import factories
from tests.alignment.invented import keep, pair, result, signed

pytestmark = pytest.mark.django_db


@pytest.fixture
def machine():
    return factories.machine(name="BM 11")


@pytest.fixture
def domer(machine):
    return machine.stations.get(kind="domer")


@pytest.fixture
def manager(machine):
    return factories.person("manager", machine.line.plant)


def at(name, machine):
    return reverse(f"alignment:{name}", args=[machine.pk])


def droop_of(machine, z=650.0, nose=650.0):
    return float(hang(knowledge_of(machine, []).hanging.ram, [nose], [z]).deflection_um[0, 0])


def live(machine, station, shift, n=6, seed=1):
    """n visits whose running value is the static one plus (0, shift), within a micrometre or two."""
    rng = np.random.default_rng(seed)
    for day in range(n):
        dx, dy = rng.normal(0.0, 1.5, 2)
        pair(machine, station, day - 40, (1.0, 80.0), (1.0 + dx, 80.0 + shift + dy))


def only(user):
    (one,) = reconcile(running_stations(user), factories.NOW)
    return one


def test_a_ram_that_hangs_as_it_should_agrees_with_what_it_shows_when_running(signed_in, manager, machine, domer):
    live(machine, domer, droop_of(machine))
    one = only(manager)
    assert one.check.agreement is Agreement.AGREE
    assert (len(one.pairs), one.clearance_um) == (6, None)
    page = signed_in(manager).get(at("reconciled", machine)).content.decode()
    assert "Beam and experience agree: what the machine shows" in page


def test_a_worn_bushing_is_flagged_with_the_clearance_that_would_explain_it(signed_in, manager, machine, domer):
    """60 um more clearance on diameter lets the nose down by 60 * (1/2 + 650/480) more: rigid body, by hand."""
    worn = droop_of(machine) - 60.0 * (0.5 + 650.0 / 480.0)
    live(machine, domer, worn)
    one = only(manager)
    assert one.disagrees
    assert one.clearance_um == pytest.approx(100.0, abs=3.0)  # 40 on record and 60 worn
    page = signed_in(manager).get(at("reconciled", machine)).content.decode()
    assert "Beam and experience disagree</strong> at Domer" in page
    assert "look for grown clearance or a worn bushing" in page
    assert "would explain it" in page
    assert "settle that first" in page


def test_geometry_entered_wrong_the_other_way_is_flagged_too(manager, machine, domer):
    live(machine, domer, 0.4 * droop_of(machine))
    one = only(manager)
    assert (one.disagrees, one.clearance_um) == (True, None)
    assert "hangs less than its droop says" in one.check.sentence


def test_the_learned_interval_is_the_textbook_one(manager, machine, domer):
    live(machine, domer, -110.0, n=8)
    one = only(manager)
    ups = np.array([p.pair.difference_um[1] for p in one.pairs])
    line = (
        sm.OLS(ups, sm.add_constant(np.arange(8.0)))
        .fit()
        .get_prediction([1.0, 40.0 - 2.0 / 24.0])
        .summary_frame(alpha=0.05)
    )
    half = (line["obs_ci_upper"] - line["obs_ci_lower"])[0] / 2
    floor = stats.norm.ppf(0.975) * np.hypot(1.0, 1.5)
    assert one.learned.next_within_um[1] == pytest.approx(max(half, floor))
    assert one.learned.mean_um[1] == pytest.approx(line["mean"][0])


def test_of_ninety_five_in_a_hundred_next_differences_the_interval_holds_the_most_and_not_all(machine):
    """From 5 pairs each: an honest 95 % interval holds the sixth between 90 and 99 of 100 times."""
    rng, held = np.random.default_rng(7), 0
    for _ in range(400):
        ups = rng.normal(-100.0, 4.0, 6)
        pairs = [Pair(Measured(factories.NOW, 0, 0), Measured(factories.NOW, 0.0, up)) for up in ups[:5]]
        learned = learn(pairs)
        held += abs(ups[5] - learned.mean_um[1]) <= learned.next_within_um[1]
    assert 360 <= held <= 396


def test_fewer_than_three_pairs_and_a_machine_without_any_say_so(signed_in, manager, machine, domer):
    client = signed_in(manager)
    page = client.get(at("reconciled", machine)).content.decode()
    assert "has a running value of this machine yet" in page
    assert client.get(at("reconciled_figures", machine)).json() == {}
    live(machine, domer, -100.0, n=2)
    page = client.get(at("reconciled", machine)).content.decode()
    assert "3 pairs of a station are needed" in page
    assert "fewer than 3 pairs" in page


def test_without_geometry_it_says_what_is_missing_and_still_shows_the_pairs(signed_in, manager, machine, domer):
    live(machine, domer, -100.0)
    Machine.objects.filter(pk=machine.pk).update(bushing_span_mm=None)
    page = signed_in(manager).get(at("reconciled", machine)).content.decode()
    assert "the span between the bushings is not on record" in page
    assert page.count('<tr><th scope="row">Domer</th>') == 1 + 6


def test_a_newest_pair_that_fits_not_the_earlier_ones_is_told(signed_in, manager, machine, domer):
    live(machine, domer, droop_of(machine))
    pair(machine, domer, -1, (1.0, 80.0), (1.0, 80.0 + droop_of(machine) - 40.0))
    page = signed_in(manager).get(at("reconciled", machine)).content.decode()
    assert "Something has changed since" in page


def test_the_chart_holds_every_pair_the_mean_and_the_beam(signed_in, manager, machine, domer):
    live(machine, domer, droop_of(machine))
    figure = signed_in(manager).get(at("reconciled_figures", machine)).json()["reconciled"]
    by_name = {trace["name"]: trace for trace in figure["data"]}
    assert len(untyped(by_name["Up: pairs"]["x"])) == 6
    assert untyped(by_name["Up: the beam"]["y"]) * 1000 == pytest.approx([droop_of(machine)])
    assert untyped(by_name["Across: the beam"]["y"]) == pytest.approx([0.0])
    assert figure["layout"]["yaxis"]["title"]["text"] == "Up: running less static, mm"


def test_the_machines_that_disagree_stand_first_and_no_other_plants(signed_in, manager, machine, domer):
    live(machine, domer, droop_of(machine))
    worn = factories.machine(machine.line, name="BM 12")
    live(worn, worn.stations.get(kind="domer"), droop_of(worn) - 90.0)
    stranger = factories.machine()
    live(stranger, stranger.stations.get(kind="domer"), -300.0)
    response = signed_in(manager).get(at("reconciled", machine))
    assert [one.machine.name for one in response.context["machines"]] == ["BM 12", "BM 11"]
    assert [one.station.machine for one in response.context["found"]] == [machine]


def test_the_switch_is_the_managers_and_leads_back_here(signed_in, manager, machine, domer):
    live(machine, domer, droop_of(machine))
    client = signed_in(manager)
    sent = {"running": "1", "version": machine.version, "back": at("reconciled", machine)}
    response = client.post(reverse("plant:moves_for", args=[machine.pk]), sent, follow=True)
    assert response.redirect_chain == [(at("reconciled", machine), 302)]
    assert b"Turn off: moves for the value as measured" in response.content
    viewer = factories.person("viewer", machine.line.plant)
    page = signed_in(viewer).get(at("reconciled", machine)).content.decode()
    assert "Turn" not in page.split("Which value moves are for")[1].split("All machines")[0]


def test_ten_pairs_or_hundreds_on_one_machine_or_six_ask_the_same_of_the_database(signed_in, manager, machine, domer):
    client = signed_in(manager)

    def asked():
        with CaptureQueriesContext(connection) as queries:
            assert client.get(at("reconciled", machine)).status_code == 200
        return len(queries)

    live(machine, domer, -100.0, n=4)
    asked()
    few = asked()
    live(machine, domer, -100.0, n=30, seed=2)
    for _ in range(5):
        other = factories.machine(machine.line)
        live(other, other.stations.get(kind="domer"), -100.0, n=4)
    assert asked() == few <= 12


def test_a_running_value_of_the_past_alone_is_no_pair(manager, machine, domer):
    first, second = signed(machine, -9), signed(machine, -5)
    keep(first, result(first, domer, "as_left", 0.0, -90.0, method="running"))
    keep(second, result(second, domer, "as_left", 0.0, 10.0))
    assert only(manager).pairs == ()


def test_a_wearing_machine_is_told_the_day_of_its_limit(signed_in, manager, machine, domer, monkeypatch):
    """By hand: at the domer (650 mm from a span of 480) the ram tips by C/2 + C*650/480 of its clearance C."""
    Machine.objects.filter(pk=machine.pk).update(bushing_clearance_um=40.0, rear_clearance_um=None)
    machine.refresh_from_db()
    droop, tip = droop_of(machine), 0.5 + 650.0 / machine.bushing_span_mm
    for number in range(8):  # the clearance grows by 4 um every 30 days from its 40 um
        up = 80.0 + droop - tip * 4.0 * number + (1.0 if number % 2 else -1.0)
        pair(machine, domer, 30 * number - 215, (1.0, 80.0), (1.0, up))
    limit = machine.line.plant.bushing_wear_limit_um
    one = only(manager)
    assert one.learned.moves
    days = (limit - 40.0) / 4.0 * 30.0 - 215.0
    expected = (factories.NOW + dt.timedelta(days=days)).date()
    assert abs((one.passing.on - expected).days) <= 25
    assert one.passing.earliest <= one.passing.on
    client = signed_in(manager)
    monkeypatch.setattr("django.utils.timezone.now", lambda: factories.NOW)
    page = client.get(at("reconciled", machine)).content.decode()
    assert "By it the clearance passes its limit of" in page
    assert f"about {one.passing.on.isoformat()}" in page
