"""The list of visits counts what is out as the page of each visit says it, running values taken in."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.alignment.models import Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.results.of_visit import visit_statuses
from linelog.alignment.results.of_visits import statuses_of_visits
from linelog.plant.models import Machine
from tests import factories
from tests.alignment.invented import keep, moved, pair, result, signed

pytestmark = pytest.mark.django_db
LATER = factories.NOW.replace(day=28)


def visit_of(machine, day, domer, *, ran=None, touched="", verdict="in"):
    """A signed visit that found and left all true but the domer, and may have moved something or seen it running."""
    visit, rows = signed(machine, day), []
    for station in machine.stations.filter(kind__in=("tool_pack", "domer")):
        for stage in ("as_found", "as_left"):
            for seat in station.seats:
                at = domer if station.kind == "domer" else (0.0, 0.0)
                row = result(visit, station, stage, *at, seat=seat)
                row.verdict = verdict if station.kind == "domer" else "in"
                rows.append(row)
        if station.kind == "domer" and ran is not None:
            rows.append(result(visit, station, "as_left", *ran, method=Method.RUNNING, u=3.0))
            rows[-1].verdict = "out"
    if touched:
        rows.append(moved(visit, machine.stations.get(kind=touched)))
    return keep(visit, *rows)


@pytest.fixture
def machines():
    """One with a ram on record, one without and with running values and moves, one that learned from pairs."""
    plant = factories.plant()
    hanging, bare, learned = (factories.machine(factories.line(plant)) for _ in range(3))
    Machine.objects.filter(pk=bare.pk).update(overhang_mm=None)
    bare.refresh_from_db()
    visit_of(hanging, 0, (0.0, 0.0))
    visit_of(hanging, 3, (0.0, 163.0), verdict="out")
    visit_of(bare, 0, (0.0, 0.0), ran=(0.0, -90.0))
    visit_of(bare, 2, (0.0, 0.0))  # nothing moved: it still runs low
    visit_of(bare, 4, (0.0, 0.0), touched="domer")
    visit_of(bare, 6, (0.0, 0.0))
    visit_of(bare, 7, (0.0, 0.0), ran=(0.0, -90.0))
    visit_of(bare, 8, (0.0, 0.0), touched="front_bushing")
    for day in range(4):
        pair(learned, learned.stations.get(kind="domer"), 20 * day - 90, (0.0, 60.0 + day % 2), (0.0, 1.0))
    visit_of(learned, 1, (0.0, 0.0))
    return [hanging, bare, learned]


def test_many_at_once_are_said_the_same_of_as_one_by_one(machines):
    visits = list(Visit.objects.select_related("machine__line__plant"))
    many = statuses_of_visits(visits, LATER)
    for visit in visits:
        one = visit_statuses(visit, list(visit.machine.stations.filter(is_active=True)), LATER)
        assert {key: status.state for key, status in many[visit.pk].items()} == {
            key: status.state for key, status in one.items()
        }, visit


def test_the_list_counts_what_is_out_when_running_too(machines, signed_in):
    client = signed_in(factories.person("manager", machines[0].line.plant))
    shown = {row.visit.pk: row for row in client.get(reverse("alignment:visits")).context["visits"]}
    first, second = machines[0].visits.order_by("opened_at")
    assert (shown[first.pk].found_out, shown[first.pk].left_out) == (
        2,
        2,
    )  # in as measured, pack and domer low when running
    assert (shown[second.pk].found_out, shown[second.pk].left_out) == (2, 2)  # the beam alone clears nothing
    bare = [shown[visit.pk].left_out for visit in machines[1].visits.order_by("opened_at")]
    assert bare == [1, 1, 0, 0, 1, 0]  # until the domer, then a bushing, was moved


def test_it_asks_as_often_for_many_visits_as_for_few(machines, signed_in):
    client, asked = signed_in(factories.person("manager", machines[0].line.plant)), []
    for more in (0, 12):
        for day in range(more):
            visit_of(machines[1], 10 + day, (0.0, 0.0))
        client.get(reverse("alignment:visits"))
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("alignment:visits"))
        asked.append(len(seen))
    assert asked[0] == asked[1]
