"""Statements typed into the database's own shell against a signed record: all are refused, on either engine.

The list is an outsider's: what somebody who knows SQL would try to change, take away, put over or slip under a
signature. (SQLite, "The ON CONFLICT Clause" and "CREATE TRIGGER"; PostgreSQL, "INSERT" and "MERGE".)
"""

import pytest
from django.db import DatabaseError, connection, transaction

from linelog.alignment.models import Amendment, Reading, Signature, Sweep, Visit
from linelog.web import audit, protection
from linelog.web.models import AuditEvent
from tests import factories
from tests.alignment.test_signed_protected import NOW, PARTS, filled, signed

pytestmark = pytest.mark.django_db
PARTS = (*PARTS, Signature)
TABLES = {model._meta.model_name: model for model in (*PARTS, Visit, Amendment, AuditEvent)}


class Record:
    """A signed visit with everything that hangs on it, and an open one beside it with the same."""

    def __init__(self):
        self.visit, parts = signed()
        self.by = self.visit.opened_by
        self.open = factories.visit(factories.machine(self.visit.machine.line), self.by)
        others = filled(self.open, self.by)
        names = {"machine": "BM", "opened_by": "Ana"}
        self.rows = {model._meta.model_name: row for model, row in parts.items()}
        self.free = {model._meta.model_name: row for model, row in others.items()}
        self.rows["visit"], self.free["visit"] = self.visit, self.open
        self.rows["signature"] = signature_under(self.visit, names)
        self.free["signature"] = Signature.objects.create(visit=self.open, name="Bert", role="mechanic", names=names)
        for rows, visit in ((self.rows, self.visit), (self.free, self.open)):
            rows["amendment"] = Amendment.objects.create(visit=visit, reason="loose", by=self.by, at=NOW)
            rows["auditevent"] = audit.record(by=self.by, action="did", obj=visit, at=NOW)

    def all(self):
        """Every kept row as it stands; what belongs to the open visit may change."""
        found = {}
        for name, model in TABLES.items():
            rows = model.objects.filter(pk=self.rows[name].pk)
            found[name] = list(rows.values())
        found["count"] = [model.objects.count() for model in TABLES.values()]
        return found


def signature_under(visit, names):
    """A signature as `sign_visit` leaves it: written before the visit is signed."""
    with transaction.atomic(), protection.lifted():
        return Signature.objects.create(visit=visit, name="Ana", role="mechanic", names=names)


def columns(model, **other):
    names = [field.column for field in model._meta.concrete_fields]
    return ", ".join(names), ", ".join(str(other.get(name, name)) for name in names)


def link(model):
    """The column by which a row hangs on its visit, or on what hangs on it."""
    names = {field.column for field in model._meta.concrete_fields}
    return next((name for name in ("visit_id", "sweep_id", "capture_id") if name in names), None)


def statements(name, kept, free):
    """Yield what an outsider would type against one table; %(kept)s and %(free)s are the numbers of the rows."""
    model = TABLES[name]
    table = model._meta.db_table
    every, same = columns(model)
    _, moved = columns(model, id=kept.pk)
    first = next(f.column for f in model._meta.concrete_fields if f.column not in {"id"})
    yield f"UPDATE {table} SET {first} = {first} WHERE id = {kept.pk}"
    yield f"UPDATE {table} SET id = id + 1000000 WHERE id = {kept.pk}"
    yield f"DELETE FROM {table} WHERE id = {kept.pk}"
    yield f"DELETE FROM {table}"
    yield f"WITH it AS (SELECT {kept.pk} AS n) UPDATE {table} SET {first} = {first} WHERE id IN (SELECT n FROM it)"
    yield f"WITH it AS (SELECT {kept.pk} AS n) DELETE FROM {table} WHERE id IN (SELECT n FROM it)"
    yield f"UPDATE {table} SET {first} = {first} FROM (SELECT 1) AS one WHERE {table}.id = {kept.pk}"
    yield (
        f"INSERT INTO {table} ({every}) SELECT {same} FROM {table} WHERE id = {kept.pk} "
        f"ON CONFLICT (id) DO UPDATE SET {first} = excluded.{first}"
    )
    if connection.vendor == "sqlite":
        for word in ("REPLACE", "IGNORE", "ABORT", "FAIL", "ROLLBACK"):
            if word != "ROLLBACK":  # it would end the test's own transaction
                yield f"UPDATE OR {word} {table} SET id = {kept.pk} WHERE id = {free.pk}"
        yield f"UPDATE OR REPLACE {table} SET rowid = {kept.pk} WHERE id = {free.pk}"
        yield f"UPDATE OR REPLACE {table} SET _rowid_ = {kept.pk}, id = {kept.pk} WHERE id = {free.pk}"
        yield f"INSERT OR REPLACE INTO {table} ({every}) SELECT {moved} FROM {table} WHERE id = {free.pk}"
        yield f"REPLACE INTO {table} ({every}) SELECT {moved} FROM {table} WHERE id = {free.pk}"
        yield f"REPLACE INTO {table} ({every}) SELECT {same} FROM {table} WHERE id = {kept.pk}"
    else:
        yield f"TRUNCATE {table} CASCADE"
        yield f"UPDATE ONLY {table} SET {first} = {first} WHERE id = {kept.pk}"
        yield f"UPDATE {table} SET id = {kept.pk} WHERE id = {free.pk}"
    if (column := link(model)) and name not in {"amendment", "auditevent"}:
        on, off = getattr(kept, column), getattr(free, column)
        yield f"UPDATE {table} SET {column} = {on} WHERE id = {free.pk}"
        yield f"UPDATE {table} SET {column} = {off} WHERE id = {kept.pk}"
        _, slipped = columns(model, id=kept.pk + 1000, **{column: on})
        yield f"INSERT INTO {table} ({every}) SELECT {slipped} FROM {table} WHERE id = {free.pk}"
        if connection.vendor == "sqlite":
            yield f"UPDATE OR REPLACE {table} SET {column} = {on} WHERE id = {free.pk}"
            yield f"INSERT OR REPLACE INTO {table} ({every}) SELECT {slipped} FROM {table} WHERE id = {kept.pk}"


@pytest.mark.parametrize("name", sorted(TABLES))
def test_nothing_an_outsider_types_changes_a_signed_record(name):
    record = Record()
    before, let_in, tried = record.all(), [], 0
    for statement in statements(name, record.rows[name], record.free[name]):
        tried += 1
        changed = tried_out(statement, record, before)
        if changed:
            let_in.append((statement, changed))
    assert let_in == []
    assert tried >= 10


def tried_out(statement, record, before):
    """Run one statement, look, and undo it; says what of the kept rows it changed."""
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
            after = record.all()
            transaction.set_rollback(True)
    except DatabaseError:
        after = record.all()
    return [key for key in before if key != "count" and after[key] != before[key]] or (
        ["rows were added or taken away"] if after["count"] < before["count"] else []
    )


def test_rows_slipped_under_a_signature_are_refused():
    record = Record()
    sweep = Sweep.objects.filter(visit=record.visit).first()
    table, (every, values) = Reading._meta.db_table, columns(Reading, id=987654, sweep_id=sweep.pk, angle_deg=45)
    with pytest.raises(DatabaseError, match="signed visit"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"INSERT INTO {table} ({every}) SELECT {values} FROM {table} LIMIT 1")


def test_every_other_kept_table_has_the_same_rules():
    """Tables that hang on a visit are ruled by one function: those not listed above are as shut as those listed."""
    rules = protection.rules()
    others = {rule.table for rule in rules} - {model._meta.db_table for model in TABLES.values()}
    for table in others:
        own = {rule.write: rule.when for rule in rules if rule.table == table}
        assert set(own) == {"INSERT", "UPDATE", "DELETE", "TRUNCATE"}
        is_shut = own["UPDATE"] == own["DELETE"] == "1 = 1"
        assert is_shut or "NEW.id <> OLD.id" in own["UPDATE"]
        assert "id = NEW.id" in own["INSERT"]
