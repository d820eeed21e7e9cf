"""What is signed is protected in the database itself: whoever writes past the program is refused there."""

import datetime as dt
import threading

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction
from django.db.models import CharField
from django.db.models.signals import post_migrate, pre_migrate

from linelog.alignment.models import (
    Amendment,
    Capture,
    CaptureValue,
    MoveMade,
    Photo,
    ProbeSetup,
    Reading,
    Result,
    RunningReading,
    StationNote,
    Sweep,
    Visit,
)
from linelog.alignment.services import visits
from linelog.web import audit, protection
from linelog.web.models import AuditEvent, WriteKey
from tests import factories
from tests.trends.invented import result

NOW = factories.NOW
PARTS = (Sweep, Reading, Result, MoveMade, StationNote, RunningReading, Photo, Capture, CaptureValue)


def filled(visit, by):
    """Hang one row of every kind on a visit; they are returned by kind, unsaved copies possible."""
    station = visit.machine.stations.get(kind="domer")
    own = {"visit": visit, "station": station}
    sweep = Sweep.objects.create(**own, stage="as_found")
    made = {
        Sweep: sweep,
        Reading: Reading.objects.create(sweep=sweep, angle_deg=0, value_um=1, typed="1", unit="um", by=by, at=NOW),
        Result: result(visit, station, "as_found", (1.0, 2.0)),
        MoveMade: MoveMade.objects.create(**own, words="one turn up", unit="um", by=by, at=NOW),
        StationNote: StationNote.objects.create(**own, not_touched=True),
        RunningReading: RunningReading.objects.create(
            **own, stage="as_found", x_um=1, y_um=1, expanded_um=2, strokes=9, unit="um", by=by, at=NOW
        ),
        Photo: Photo.objects.create(
            **own, file="photos/a.jpg", sha256=f"{visit.pk}", width=1, height=1, by=by, at=NOW
        ),
    }
    made[Result].save()
    made[Capture] = captured(visit, by)
    numbers = {"away_mm": 0, "x_um": 1, "y_um": 1, "radial_um": 1, "u_x_um": 1, "u_y_um": 1, "expanded_um": 2}
    made[CaptureValue] = CaptureValue.objects.create(
        capture=made[Capture], station=station, phase="forward", spread_um=1, strokes=9, n_eff=9, odd=0, **numbers
    )
    return made


def captured(visit, by):
    """A capture, worked out, in this visit; no two have one file."""
    setup, _ = ProbeSetup.objects.get_or_create(
        machine=visit.machine, name="Ring", station=visit.machine.stations.get(kind="domer"), z_mm=1.0
    )
    worked_out = {"state": "done", "result": {}, "algorithm": "1", "worked_with": {}}
    return Capture.objects.create(
        machine=visit.machine,
        setup=setup,
        by=by,
        at=NOW,
        recorded_at=NOW,
        name="run.csv",
        file="captures/aa",
        sha256=f"{visit.pk}",
        size=1,
        visit=visit,
        stage="as_left",
        **worked_out,
    )


def signed(by=None, machine=None):
    """A visit signed by hand after its parts are there, with the parts."""
    machine = machine or factories.machine()
    by = by or factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, by)
    parts = filled(visit, by)
    Visit.objects.filter(pk=visit.pk).update(state="signed", signed_by=by, signed_at=NOW)
    visit.refresh_from_db()
    return visit, parts


def refused(says):
    """The block is refused by the database with these words; the transaction round it stays usable."""

    class Check:
        def __enter__(self):
            self.raises = pytest.raises(IntegrityError, match=says)
            self.raises.__enter__()
            self.atomic = transaction.atomic()
            self.atomic.__enter__()

        def __exit__(self, *what):
            self.atomic.__exit__(*what)
            return self.raises.__exit__(*what)

    return Check()


@pytest.mark.django_db
def test_a_signed_visit_is_neither_changed_nor_deleted():
    visit, _ = signed()
    rows = Visit.objects.filter(pk=visit.pk)
    for change in ({"note": "later"}, {"state": "open", "signed_by": None, "signed_at": None}, {"version": 9}):
        with refused("This visit is signed and never changes"):
            rows.update(**change)
    with refused("This visit is signed"), connection.cursor() as cursor:
        cursor.execute("DELETE FROM alignment_visit WHERE id = %s", [visit.pk])
    assert rows.values().get() == Visit.objects.filter(pk=visit.pk, note="", version=visit.version).values().get()


@pytest.mark.django_db
@pytest.mark.parametrize("model", PARTS, ids=lambda model: model._meta.model_name)
def test_what_hangs_on_a_signed_visit_is_not_changed_deleted_or_added_to(model):
    row = signed()[1][model]
    table = model._meta.db_table
    before = list(model.objects.order_by("pk").values())
    words = rf"belongs to a signed visit, which never changes.* \({table}"
    with refused(words), connection.cursor() as cursor:
        cursor.execute(f"UPDATE {table} SET id = id")
    with refused(words):
        model.objects.filter(pk=row.pk)._raw_delete(using="default")
    more = another(row)
    with refused(words):
        more.save(force_insert=True)
    assert list(model.objects.order_by("pk").values()) == before


def another(row):
    """An unsaved row like this one that no other constraint would stop."""
    copy = type(row).objects.get(pk=row.pk)
    copy.pk, copy._state.adding = None, True
    for name, value in {"stage": "as_left", "angle_deg": 90.0, "sha256": "other", "phase": "dome"}.items():
        if hasattr(copy, name):
            setattr(copy, name, value)
    if isinstance(copy, StationNote):
        copy.station = copy.visit.machine.stations.exclude(pk=copy.station_id).first()
    return copy


@pytest.mark.django_db
@pytest.mark.parametrize("model", PARTS, ids=lambda model: model._meta.model_name)
def test_nothing_is_moved_out_of_a_signed_visit_or_into_one(model):
    visit, parts = signed()
    other = factories.visit(visit.machine, visit.opened_by)
    sweep = Sweep.objects.create(visit=other, station=parts[Sweep].station, stage="as_left")
    over = {Reading: {"sweep": sweep}, CaptureValue: {"capture": captured(other, visit.opened_by)}}
    out = over.get(model, {"visit": other})
    with refused("signed visit"):
        model.objects.filter(pk=parts[model].pk).update(**out)
    mine = another(parts[model])
    for name, value in out.items():
        setattr(mine, name, value)
    if model is Sweep:
        mine.stage = "as_found"
    mine.save(force_insert=True)  # the open visit takes it
    over = {Reading: {"sweep": parts[Sweep]}, CaptureValue: {"capture": parts[Capture]}}
    back = over.get(model, {"visit": visit})
    with refused("signed visit"):
        model.objects.filter(pk=mine.pk).update(**back)


@pytest.mark.django_db
@pytest.mark.parametrize("model", PARTS, ids=lambda model: model._meta.model_name)
def test_an_open_visit_takes_all_of_it(model):
    signed()
    visit = factories.visit()
    row = filled(visit, visit.opened_by)[model]
    more = another(row)
    more.save(force_insert=True)
    more.save()
    assert more.delete()[0] >= 1


@pytest.mark.django_db
def test_signing_itself_passes_with_what_is_carried_over():
    machine = factories.machine()
    by = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, by)
    domer = machine.stations.get(kind="domer")
    result(visit, domer, "as_found", (3.0, 4.0)).save()
    StationNote.objects.create(visit=visit, station=domer, not_touched=True)
    done = visits.sign_visit(by=by, visit=visit, at=NOW + dt.timedelta(minutes=30))
    assert done.state == Visit.State.SIGNED
    assert Result.objects.get(visit=visit, stage="as_left").carried


@pytest.mark.django_db
def test_amendments_stand_beside_and_stay():
    visit, _ = signed()
    made = Amendment.objects.create(visit=visit, reason="loose dial", by=visit.opened_by, at=NOW)
    with refused("An amendment is never changed"):
        Amendment.objects.update(reason="nothing")
    with refused("An amendment is never changed"):
        made.delete()
    assert Amendment.objects.get().reason == "loose dial"


@pytest.mark.django_db
def test_history_is_added_to_only_and_write_keys_may_be_answered():
    by = factories.person()
    audit.record(by=by, action="did", obj=by, at=NOW)
    with refused(r"A line of the history is never changed. \(web_auditevent"):
        AuditEvent.objects.update(actor_name="somebody else")
    with refused("A line of the history"):
        AuditEvent.objects.all().delete()
    key = WriteKey.objects.create(actor_id=by.pk, key="k", digest="d", at=NOW)
    assert WriteKey.objects.filter(pk=key.pk).update(answer=7) == 1
    assert AuditEvent.objects.get().actor_name == str(by)


@pytest.mark.postgresql_only  # SQLite before 3.47 says fixed words only: there the kind of record is named
@pytest.mark.django_db
def test_postgresql_names_the_record_by_its_number_too():
    visit, parts = signed()
    audit.record(by=None, action="did", obj=visit, at=NOW)
    with refused(rf"\(alignment_visit {visit.pk}\)"):
        Visit.objects.update(note="x")
    with refused(rf"\(alignment_reading {parts[Reading].pk}\)"):
        Reading.objects.update(value_um=3)
    connection.check_constraints()  # with checks still to be done nothing at all is truncated
    for table in ("alignment_reading", "web_auditevent"):
        with refused("never change"), connection.cursor() as cursor:
            cursor.execute(f"TRUNCATE {table} CASCADE")


@pytest.mark.sqlite_only
@pytest.mark.django_db
def test_sqlite_puts_nothing_over_a_kept_row():
    """INSERT OR REPLACE deletes what stands in its way without asking a DELETE trigger."""
    visit, parts = signed()
    other = factories.visit(visit.machine, visit.opened_by)
    audit.record(by=None, action="did", obj=visit, at=NOW)
    for row in (visit, parts[MoveMade], AuditEvent.objects.get()):
        columns = [field.column for field in row._meta.concrete_fields]
        taken = [str(other.pk) if name == "visit_id" else name for name in columns]
        copy = f"INSERT OR REPLACE INTO {row._meta.db_table} ({', '.join(columns)}) SELECT {', '.join(taken)}"
        with refused("never change"), connection.cursor() as cursor:
            cursor.execute(f"{copy} FROM {row._meta.db_table} WHERE id = %s", [row.pk])


@pytest.mark.django_db(transaction=True)
def test_a_reading_that_comes_while_the_visit_is_being_signed_waits_and_is_refused():
    """Another connection that looked before the signature was committed must not slip in after it."""
    machine = factories.machine()
    by = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, by)
    filled(visit, by)
    outcome, signing = [], threading.Event()

    def late():
        signing.wait(10)
        try:
            MoveMade.objects.create(
                visit=visit, station=machine.stations.first(), words="late", unit="um", by=by, at=NOW
            )
            outcome.append("stored")
        except IntegrityError as error:
            outcome.append(str(error))
        finally:
            connection.close()

    other = threading.Thread(target=late)
    other.start()
    with transaction.atomic():
        Visit.objects.filter(pk=visit.pk).update(state="signed", signed_by=by, signed_at=NOW)
        signing.set()
        other.join(0.7)
        assert outcome == []  # it waits for us
    other.join(30)
    assert len(outcome) == 1
    assert "signed visit" in outcome[0]


@pytest.mark.django_db
def test_lifted_in_one_transaction_and_back_after_it():
    visit, _ = signed()
    with protection.lifted():
        Visit.objects.filter(pk=visit.pk).update(note="mended by a migration")
    with refused("This visit is signed"):
        Visit.objects.update(note="again")
    with pytest.raises(IntegrityError), protection.lifted():
        Visit.objects.update(state="no longer than eight"[:8])  # signed_by without a signature
    visit.refresh_from_db()
    assert visit.note == "mended by a migration"
    with refused("This visit is signed"):
        Visit.objects.update(note="again")


@pytest.mark.django_db
def test_every_rule_is_in_the_database_and_a_lost_one_comes_back():
    there = protection._present(connection)
    names = {rule.name for rule in protection.rules()}
    assert {name for name in names if "_truncate_" not in name} <= there.keys() <= names
    protection.take_out()
    assert protection._present(connection) == {}
    call_command("migrate", verbosity=0)
    assert protection._present(connection) == there


@pytest.mark.django_db(transaction=True)
def test_a_rebuilt_table_is_protected_again():
    """A migration that changes a column makes SQLite build the table anew, which loses its triggers."""
    visit, _ = signed()
    web = apps.get_app_config("web")
    old = Visit._meta.get_field("note")
    new = CharField(max_length=5000, blank=True)
    new.set_attributes_from_name("note")
    for before, after in ((old, new), (new, old)):
        pre_migrate.send(sender=web, using="default", plan=[("a migration", False)])
        with connection.schema_editor() as editor:
            editor.alter_field(Visit, before, after, strict=False)
        post_migrate.send(sender=web, using="default", plan=[], app_config=web, verbosity=0, interactive=False)
        with refused("This visit is signed"):
            Visit.objects.filter(pk=visit.pk).update(version=9)
    assert Visit.objects.get().pk == visit.pk


def test_everything_that_hangs_on_a_visit_has_its_rules():
    """A table added later that points to a visit must say what becomes of it when the visit is signed."""
    hanging = {
        relation.related_model._meta.db_table
        for model in (Visit, Sweep)
        for relation in model._meta.related_objects
        if relation.related_model._meta.app_label == "alignment"
    }
    ruled = {rule.table for rule in protection.rules()}
    assert hanging <= ruled, hanging - ruled
