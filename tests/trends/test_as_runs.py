"""A domer left where it runs true is true for risk, plan and rates too, though it stands high while the ram hangs."""

import datetime as dt

import pytest

from linelog.alignment.hanging import nose_for, record_of
from linelog.plant.models import Machine
from linelog.plant.ram import seen_at
from linelog.plant.services.machines import set_moves_for
from linelog.trends import summaries
from linelog.trends.due.kept import bases
from linelog.trends.due.store import refit_drifts
from linelog.trends.models import MachineDrift, Piece, Stale
from tests import factories
from tests.trends import invented

pytestmark = pytest.mark.django_db
NOW, TODAY = factories.NOW, factories.NOW.date()


@pytest.fixture
def machine():
    """Eight visits, a month apart, that left the domer as high as the ram hangs there, within a few micrometres."""
    made = factories.machine(factories.line(factories.plant(timezone="UTC")))
    by, domer = factories.person("manager", made.line.plant), made.stations.get(kind="domer")
    hanging = record_of(made).hanging
    hangs = -seen_at(hanging, nose_for(hanging, domer.z_mm, None), domer.z_mm).deflection_um
    assert hangs > 2.0 * domer.limit_um, "or the test is about nothing"
    rows = []
    for number in range(22):  # enough for a risk
        visit = invented.signed_visit(made, by, NOW - dt.timedelta(days=10 * (22 - number)))
        rows += [
            invented.result(visit, domer, stage, (2.0 + number % 3, hangs + 3.0 - number % 2), expanded_um=3.0)
            for stage in ("as_found", "as_left")
        ]
    invented.store(rows)
    invented.counts(made, 250, until=TODAY)
    return made


def worked_out(machine):
    machine = Machine.objects.get(pk=machine.pk)
    summaries.store(machine, summaries.work_out(machine))
    refit_drifts(machine.line.plant, NOW)
    worst = max(piece.severity for piece in Piece.objects.filter(machine=machine) if piece.severity is not None)
    return worst, MachineDrift.objects.get(machine=machine)


def test_where_moves_are_for_the_running_value_the_static_target_is_the_reference(machine):
    Machine.objects.filter(pk=machine.pk).update(moves_for_running=True)
    worst, drift = worked_out(machine)
    assert worst < 0.5
    assert drift.left_severity < 0.5
    (domer,) = drift.places
    assert abs(domer["left_um"][1]) < 5.0
    assert drift.due_million is None or drift.due_million > 0.0


def test_where_nothing_says_that_it_runs_true_the_measured_value_is(machine):
    worst, drift = worked_out(machine)
    assert worst > 2.0
    assert drift.left_severity > 2.0
    assert drift.due_million == 0.0


def test_the_switch_and_the_ram_mark_what_rests_on_them(machine):
    manager = factories.person("manager", machine.line.plant)
    before = bases([machine.pk])
    set_moves_for(by=manager, at=NOW, machine=machine, version=machine.version, running=True)
    assert Stale.objects.filter(machine=machine, first_day=None).exists()
    assert bases([machine.pk]) != before
