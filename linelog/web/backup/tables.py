"""Rows as lines of JSON and back, the same for either database; and the numbers that were given out last."""

from __future__ import annotations

import datetime as dt
import decimal
import itertools
import json
import uuid
from collections.abc import Iterable, Iterator
from typing import Any

from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import AutoField, Model
from django.utils.duration import duration_string

from linelog.web.sql import places, statement

AT_ONCE = 1000
# A backup that is stolen or restored elsewhere must not hold anybody's open session.
LEFT_OUT = frozenset({"django_session"})


def backed_up(registry: Any) -> list[type[Model]]:
    """Return the models whose tables are in a backup, by the name of the table."""
    models = [
        model
        for model in registry.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy and model._meta.db_table not in LEFT_OUT
    ]
    return sorted(models, key=lambda model: str(model._meta.db_table))


def columns(model: type[Model]) -> list[str]:
    """Return the names of the columns in their order."""
    return [str(field.column) for field in model._meta.concrete_fields]


def _plain(value: Any) -> Any:
    """Say what JSON has no word for. An unknown kind of value raises: a backup leaves nothing out unsaid."""
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, dt.timedelta):
        return duration_string(value)
    if isinstance(value, decimal.Decimal | uuid.UUID):
        return str(value)
    raise TypeError(f"a {type(value).__name__} can't be backed up")


def lines(model: type[Model], using: str) -> Iterator[bytes]:
    """Yield each row as a line, by its key."""
    names = [field.attname for field in model._meta.concrete_fields]
    rows = model._base_manager.using(using).order_by("pk").values_list(*names)
    for row in rows.iterator(chunk_size=AT_ONCE):
        yield json.dumps(row, ensure_ascii=False, separators=(",", ":"), default=_plain).encode() + b"\n"


def store(model: type[Model], said: list[str], rows: Iterable[bytes], using: str) -> None:
    """Insert rows as they stand in a backup, whose columns are `said`; no default and no hook changes them."""
    connection = connections[using]
    fields = {field.column: field for field in model._meta.concrete_fields}
    own = [fields[name] for name in said]
    begins = statement(connection, "INSERT INTO {into} ({said}) ", into=model._meta.db_table, said=said)
    insert = f"{begins} VALUES ({places(said)})"
    waiting = iter(rows)
    with connection.cursor() as cursor:
        while some := list(itertools.islice(waiting, AT_ONCE)):
            cursor.executemany(insert, [_values(own, json.loads(line), connection) for line in some])


def _values(fields: list[Any], row: list[Any], connection: BaseDatabaseWrapper) -> list[Any]:
    return [
        field.get_db_prep_save(field.to_python(value), connection) for field, value in zip(fields, row, strict=True)
    ]


def last_ids(models: Iterable[type[Model]], using: str) -> dict[str, int]:
    """Return the last number given out in each table, so that one that was deleted is not given out again."""
    connection, found = connections[using], {}
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name, seq FROM sqlite_sequence")
            given = dict(cursor.fetchall())
            return {
                model._meta.db_table: given[model._meta.db_table] for model in models if model._meta.db_table in given
            }
        for table, key in _numbered(models):
            given_out = "SELECT pg_sequence_last_value(pg_get_serial_sequence(%s, %s)::regclass)"
            cursor.execute(given_out, [connection.ops.quote_name(table), key])
            (number,) = cursor.fetchone()
            if number is not None:  # None until the first was given out
                found[table] = int(number)
    return found


def go_on_after(models: Iterable[type[Model]], last: dict[str, int], using: str) -> None:
    """Go on numbering where the backup's database stood."""
    connection = connections[using]
    with connection.cursor() as cursor:
        for table, key in _numbered(models):
            if not last.get(table):  # nothing was numbered yet
                continue
            if connection.vendor == "sqlite":
                cursor.execute("DELETE FROM sqlite_sequence WHERE name = %s", [table])
                cursor.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (%s, %s)", [table, last[table]])
            else:
                quoted = connection.ops.quote_name(table)
                cursor.execute("SELECT setval(pg_get_serial_sequence(%s, %s), %s)", [quoted, key, last[table]])


def _numbered(models: Iterable[type[Model]]) -> list[tuple[str, str]]:
    """Return the tables that number their rows themselves, each with its key's column."""
    keys = [(model._meta.db_table, model._meta.pk) for model in models]
    return [
        (table, str(key.column))
        for table, key in keys
        if isinstance(key, AutoField) or key.get_internal_type() == "BigAutoField"
    ]
