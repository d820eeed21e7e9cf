"""What is to be done at a machine, why and what waiting costs: one decision, from made-up states of each kind."""

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import BushingClearance, BushingFitted
from linelog.plant.models import Machine
from linelog.production.days import local_day, production_day
from linelog.production.models import Event
from linelog.trends.models import Fit
from linelog.trends.ranking.refit import refit_ranking
from linelog.trends.state.say import worth_of
from linelog.trends.state.todo import Do, todo
from linelog.web import protection
from tests import factories
from tests.trends import invented
from tests.trends.invented import coming_anew

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]


@pytest.fixture
def now():
    return timezone.now()


@pytest.fixture
def manager():
    return factories.person("manager")


@pytest.fixture
def line(manager):
    return factories.line(manager.plant)


def visited(line, manager, now, offset=2.0, *, days=10, counted=91, **more):
    """A machine with one visit that left every station true but the domer, and counts of three months."""
    machine = factories.machine(line)
    visit = invented.signed_visit(machine, manager, now - dt.timedelta(days=days))
    rows = []
    for station in machine.stations.exclude(kind__in=("rear_bushing", "front_bushing")):
        at = offset if station.kind == "domer" else 1.0
        for seat in station.seats:
            rows += [
                invented.result(visit, station, stage, (at, 0.0), seat=seat, expanded_um=2.0)
                for stage in ("as_found", "as_left")
            ]
    invented.store(rows)
    invented.counts(machine, counted, until=production_day(manager.plant, now), **more)
    return machine


def state_of(machine, now):
    machine = Machine.objects.select_related("line__plant").get(pk=machine.pk)
    return coming_anew(machine.line.plant, 4, at=now, only=machine).machines[machine.pk]


def worn(machine, manager, now, stage="as_found", clearance_um=120.0):
    visit, bushing = machine.visits.latest("opened_at"), machine.stations.get(kind="front_bushing")
    with protection.lifted():
        return BushingClearance.objects.create(
            visit=visit, station=bushing, stage=stage, up_down_um=clearance_um, clearance_up_down_um=clearance_um,
            unit="mm", clearance_um=clearance_um, expanded_um=10.0, limit_um=80.0,
            verdict="out" if clearance_um > 90.0 else "in", severity=clearance_um / 80.0, algorithm="test",
            by=manager, at=visit.opened_at,
        )  # fmt: skip


def test_what_is_out_is_aligned_and_due_since_the_visit_that_measured_it(line, manager, now):
    state = state_of(visited(line, manager, now, 80.0), now)
    found = todo(state)
    assert (found.do, found.what) == (Do.ALIGN, "Align it: open Domer.")
    assert "Domer is out, 2.11 of its limit" in found.why
    assert (state.due.is_due, found.since) == (True, local_day(manager.plant, now - dt.timedelta(days=10)))


def test_never_measured_asks_for_a_baseline_that_opens_nothing(line, manager, now):
    state = state_of(factories.machine(line), now)
    assert todo(state).what == "Take a first baseline: sweep every station as it is found."
    assert (state.opens, state.work.open_hours) == ((), 0.0)


def test_nothing_now_says_until_when(line, manager, now):
    found = todo(state_of(visited(line, manager, now), now))
    assert (found.do, found.is_work) == (Do.NOTHING, False)
    assert found.what.startswith("Nothing now: the next check is due by ")


def test_a_worn_bushing_is_due_and_opened_itself_and_a_new_one_is_not(line, manager, now):
    machine = visited(line, manager, now)
    worn(machine, manager, now)
    state = state_of(machine, now)
    assert state.opens == ("Front bushing",)
    assert todo(state).what == "Renew the front bushing, then sweep every station anew."
    assert "Front bushing is worn out, 1.50 of its limit" in state.due.why
    worn(machine, manager, now, "as_left", 40.0)
    with protection.lifted():
        visit = machine.visits.latest("opened_at")
        BushingFitted.objects.create(
            visit=visit, station=machine.stations.get(kind="front_bushing"),
            fitted_on=local_day(manager.plant, visit.opened_at), by=manager, at=visit.opened_at,
        )  # fmt: skip
    assert not state_of(machine, now).is_out


def test_the_common_line_does_not_call_a_machine_with_a_worn_bushing_fine(line, manager, now, client):
    machine = visited(line, manager, now)
    client.force_login(manager)
    page = reverse("alignment:line", args=[machine.pk])
    assert "Nothing to open: all are within their limits" in client.get(page).content.decode()
    worn(machine, manager, now)
    text = client.get(page).content.decode()
    assert "Nothing to open: all are within their limits" not in text
    assert "Front bushing is worn out, its clearance 1.50 of the wear limit" in text


def test_a_machine_that_tears_far_more_than_its_alignment_explains_is_looked_at_elsewhere(line, manager, now):
    others = [visited(line, manager, now, seed=seed) for seed in range(5)]
    outlier = visited(line, manager, now, per_million=140.0, seed=9)
    refit_ranking(manager.plant, now)
    found = todo(state_of(outlier, now))
    assert found.do is Do.ELSEWHERE
    assert found.what.startswith("Not alignment: look at ")
    assert "every station was last found or left within its limit" in found.why
    assert found.a_week > 1000.0  # about 100 a million more on 2.8 million cans a week, at 72 and the can each
    assert todo(state_of(others[0], now)).do is Do.NOTHING
    Event.objects.create(machine=outlier, at=now, kind="jam", by=manager)  # now nobody knows how it stands
    assert todo(state_of(outlier, now)).do is Do.MEASURE


def test_what_waiting_costs_is_not_known_until_the_counts_show_an_effect(line, manager, now):
    machine = visited(line, manager, now, 80.0)
    state = state_of(machine, now)
    assert todo(state).a_week is None
    assert worth_of(state, todo(state)) == "What waiting costs is not known yet."
    Fit.objects.create(
        plant=manager.plant, kind="misalignment", scope="tear_offs/worst/24m", made_at=now,
        result={"algorithm": 2, "effect": {"ratio": 1.5, "low": 1.2, "high": 1.9, "shown": True}},
    )  # fmt: skip
    invented.signed_visit(machine, manager, now - dt.timedelta(days=9))
    state = state_of(machine, now)
    assert state.is_shown
    assert todo(state).a_week is None or todo(state).a_week >= 1.0


def test_one_machine_alone_is_said_the_same_of_as_among_all(line, manager, now):
    machines = [visited(line, manager, now, offset, seed=seed) for seed, offset in enumerate((2.0, 80.0, 30.0))]
    refit_ranking(manager.plant, now)
    together = coming_anew(manager.plant, 4, at=now).machines
    for machine in machines:
        alone, among = state_of(machine, now), together[machine.pk]
        assert todo(alone) == todo(among)
        assert (alone.money, alone.explained, alone.hours) == (among.money, among.explained, among.hours)
