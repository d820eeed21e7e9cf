"""Migrations carry data along: rows stored at the first state of the tables are there, whole, at the last."""

import datetime as dt

import pytest
from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

FIRST = {"plant": "0001"}


def tables(states):
    """Bring the tables to these migrations by the usual command; give the models as they are then."""
    for app, name in states.items():
        call_command("migrate", app, *([name] if name else []), verbosity=0, interactive=False)
    executor = MigrationExecutor(connection)
    return executor.loader.project_state(list(executor.loader.applied_migrations)).apps


@pytest.fixture
def back_at_the_first():
    """The tables as the first migrations left them; at the end as the last ones do, whatever the test did."""
    yield tables(FIRST)
    call_command("migrate", verbosity=0, interactive=False)  # of every app: what rests on this one went back with it


@pytest.mark.django_db(transaction=True)
def test_a_plant_stored_at_the_first_migration_is_whole_at_the_last(back_at_the_first):
    old = back_at_the_first
    plant = old.get_model("plant", "Plant").objects.create(name="Old works", closure_limit_um=31.0)
    line = old.get_model("plant", "Line").objects.create(plant=plant, name="Line 1")
    machine = old.get_model("plant", "Machine").objects.create(line=line, name="BM 1")
    shift = old.get_model("plant", "Shift").objects.create(plant=plant, code="A", name="Early", starts=dt.time(6))
    counts = old.get_model("production", "ShiftCount").objects
    counts.create(machine=machine, day=dt.date(2026, 1, 5), shift=shift, cans=1000, spoiled=7, by_cause={"WALL": 7})

    new = tables(dict.fromkeys(FIRST))
    row = new.get_model("production", "ShiftCount").objects.get()
    assert (row.cans, row.spoiled, row.by_cause) == (1000, 7, {"WALL": 7})
    kept = new.get_model("plant", "Plant").objects.get()
    assert (kept.name, kept.closure_limit_um) == ("Old works", 31.0)
    assert kept.usual_scatter_um > 0
    assert new.get_model("plant", "Line").objects.get().version == 1
