"""A dial that rides in a bushing sinks with it: old sweeps there stay readable and count for nothing else."""

import datetime as dt

import pytest
from django.utils import timezone

from linelog.alignment.line_offsets import offsets_of
from linelog.alignment.models import Result, Sweep
from linelog.alignment.pairs import pairs_of
from linelog.alignment.queries import with_what_is_out
from linelog.alignment.results.now import statuses_now, worst_of
from linelog.alignment.values import latest, signed_results, standing
from linelog.plant.models import Station
from linelog.trends import summaries
from linelog.trends.models import MachineDrift
from linelog.trends.queries.machine import often_out
from linelog.trends.repeats.refit import found_at
from tests import factories
from tests.alignment.helpers import address, type_one
from tests.trends import invented

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]
NOW = timezone.now().replace(microsecond=0)


@pytest.fixture
def record():
    """A machine whose bushings were found far out by every sweep and whose stripper was always in."""
    machine = factories.machine()
    manager = factories.person("manager", machine.line.plant)
    bushings = list(machine.stations.filter(kind__in=Station.BUSHINGS))
    stripper = machine.stations.get(kind="stripper")
    rows, visits = [], []
    for number in range(5):
        visit = invented.signed_visit(machine, manager, NOW - dt.timedelta(days=20 * (5 - number)))
        visits.append(visit)
        for stage in ("as_found", "as_left"):
            rows += [invented.result(visit, one, stage, (0.0, 40.0 + number)) for one in bushings]
            rows.append(invented.result(visit, stripper, stage, (5.0, 5.0)))
    invented.store(rows)
    invented.counts(machine, 110, until=NOW.date())
    return machine, manager, visits, bushings, stripper


def test_they_are_out_of_standing_repeats_and_evidence(record):
    machine, _, visits, _, stripper = record
    assert {value.station_id for value in standing(signed_results(machine)).values} == {stripper.pk}
    assert {value.station_id for value in latest(machine.stations.all())} == {stripper.pk}
    assert {value.station_id for value in standing(Result.objects.all()).values} == {stripper.pk}
    assert worst_of(statuses_now(machine.stations.all(), NOW)[machine.pk]).word == "in"
    assert often_out(machine, NOW.date() - dt.timedelta(days=365)) == []
    assert not any(problem.holds for problem in found_at(machine.line.plant, [machine.pk], NOW)[machine.pk])
    assert {place.station for place in summaries.read(machine).places} == {stripper.pk}
    assert [(one.found_out, one.left_out) for one in with_what_is_out(visits, NOW)] == [(0, 0)] * 5


def test_they_are_out_of_risk_due_and_plan(record):
    machine, _, _, _, stripper = record
    invented.due_of(machine, NOW.date(), NOW, NOW.date())
    drift = MachineDrift.objects.get(machine=machine)
    assert {place["station"] for place in drift.places} == {stripper.pk}
    assert drift.left_severity < 1.0


def test_they_teach_nothing_of_the_running_machine_and_start_no_common_line(record):
    machine, _, visits, bushings, stripper = record
    ran = [invented.result(visits[-1], one, "as_left", (0.0, 0.0), method="running") for one in bushings]
    invented.store(ran)
    assert pairs_of(bushings) == {}
    found = offsets_of(machine, [*bushings, stripper], None, running=False, at=NOW)
    assert [one.station for one in found.found] == [stripper]


def test_they_stay_readable_in_their_visit_and_no_move_is_offered_on_them(client, record):
    machine, manager, _, bushings, _ = record
    visit = factories.visit(machine, manager)
    sweep = Sweep.objects.create(visit=visit, station=bushings[1], stage="as_found")
    for angle, value in ((0, 0), (90, 50), (180, 120), (270, 70)):
        sweep.readings.create(
            angle_deg=angle, value_um=value, typed=f"{value / 1000:.2f}", unit="mm", by=manager, at=NOW
        )
    client.force_login(manager)
    page = client.get(address("station", visit, bushings[1])).content.decode()
    assert "0.12\u202fmm" in page  # what was typed at 6
    assert "up +0.060" in page  # and what it came to
    assert "not judged" in page
    assert "common line" in page
    assert "Done as offered" not in page
    assert "state out" not in page


def test_a_bushing_takes_no_new_sweep(client, record):
    machine, manager, _, bushings, _ = record
    visit = factories.visit(machine, manager)
    client.force_login(manager)
    answer = type_one(client, visit, bushings[0], 0, "0.01")
    assert answer.status_code == 422
    assert "a dial that rides in a bushing sinks with it" in answer.content.decode()
    assert not Sweep.objects.filter(visit=visit).exists()
