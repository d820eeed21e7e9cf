"""Queries that are asked very often, put into SQL once: to word one takes Django six times as long as to answer it.

    BY_NUMBER = Prepared(lambda pk: Person.objects.select_related("plant").filter(pk=pk), pk=int)
    BY_NUMBER.rows(pk=7)

What is built must not depend on the values beyond their places in the SQL: no `if value`, no list, no slice.
A row that is written very often has an insert made ready:

    EVENTS = PreparedInsert(AuditEvent)
    EVENTS.store(AuditEvent(...))

and one that is changed very often an update of some of its columns:

    READINGS = PreparedUpdate(Reading, "value_um", "version")
    READINGS.store(reading)
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.core.exceptions import ObjectDoesNotExist
from django.db import DEFAULT_DB_ALIAS, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Model, Q, QuerySet
from django.db.models.constants import OnConflict
from django.db.models.query import ValuesListIterable
from django.db.models.sql import InsertQuery, UpdateQuery

Row = TypeVar("Row")
Stored = TypeVar("Stored", bound=Model)
LARGEST = 2**63 - 1  # of any column; an address may name a larger number, which no row has


@dataclass(slots=True)
class _Worded:
    """A query put into SQL for one connection; `places` names, for each parameter, the value that goes there."""

    rows: QuerySet[Any, Any]
    compiler: Any
    sql: str
    parameters: tuple[Any, ...]
    places: tuple[str | None, ...]


class Prepared(Generic[Row]):
    """A query made ready: `build` makes it from values of the kinds named, `rows` asks it with others."""

    def __init__(self, build: Callable[..., QuerySet[Any, Row]], **kinds: type) -> None:
        self._build = build
        self._kinds = kinds

    def rows(self, **values: Any) -> list[Row]:
        """Return what the query gives for these values."""
        if any(isinstance(value, int) and abs(value) > LARGEST for value in values.values()):
            return []
        connection = connections[DEFAULT_DB_ALIAS]
        known: dict[Prepared[Any], _Worded] = vars(connection).setdefault("prepared_queries", {})
        worded = known.get(self)
        if worded is None:
            worded = known[self] = self._worded(connection)
        given = {name: _for_database(value, connection) for name, value in values.items()}
        parameters = tuple(
            constant if name is None else given[name]
            for constant, name in zip(worded.parameters, worded.places, strict=True)
        )
        if worded.rows._iterable_class is ValuesListIterable:
            return _values(connection, worded, parameters)
        worded.compiler.as_sql = lambda *_, **__: (worded.sql, parameters)
        answer: Any = worded.rows._iterable_class(worded.rows)
        with _planned_once(connection):
            return list(answer)

    def first(self, **values: Any) -> Row | None:
        """Return the first row, None where there is none."""
        return next(iter(self.rows(**values)), None)

    def _worded(self, connection: BaseDatabaseWrapper) -> _Worded:
        """Put it into SQL with values that stand for themselves alone, and see where in it they have come to."""
        stand_ins = {name: _stand_in(kind, number) for number, (name, kind) in enumerate(self._kinds.items())}
        rows: Any = self._build(**stand_ins)
        compiler = rows.query.get_compiler(connection=connection)
        sql, parameters = compiler.as_sql()
        named: Mapping[Any, str] = {_for_database(value, connection): name for name, value in stand_ins.items()}
        places = tuple(
            named.get(value) if isinstance(value, int | str | dt.datetime) else None for value in parameters
        )
        missing = stand_ins.keys() - set(places)
        if missing:
            raise ValueError(f"not found in the SQL: {', '.join(sorted(missing))}")
        columns = [column[0] for column in compiler.select[: compiler.col_count]]
        converters = compiler.get_converters(columns)
        compiler.get_converters = lambda _: converters
        rows.query.get_compiler = lambda *_, **__: compiler
        return _Worded(rows, compiler, sql, tuple(parameters), places)


def _values(connection: BaseDatabaseWrapper, worded: _Worded, parameters: tuple[Any, ...]) -> list[Any]:
    """Return the rows of a `values_list`, straight from the engine."""
    with _planned_once(connection), connection.cursor() as cursor:
        cursor.execute(worded.sql, parameters)
        rows = cursor.fetchall()
    converters = worded.compiler.get_converters(())
    return [tuple(row) for row in worded.compiler.apply_converters(rows, converters)] if converters else rows


class PreparedInsert(Generic[Stored]):
    """An insert made ready. `unique` names what tells rows apart; one that is there gets the columns `update` anew.

    Like Django's bulk writes it calls no `save` and sends no signals.
    """

    def __init__(self, model: type[Stored], *, unique: Sequence[str] = (), update: Sequence[str] = ()) -> None:
        self._model, self._unique, self._update = model, unique, update

    def store(self, row: Stored) -> Stored:
        """Insert a row, which learns its number; an error spoils the transaction, as it does with Django's own."""
        connection = connections[DEFAULT_DB_ALIAS]
        known: dict[PreparedInsert[Any], tuple[str, list[Any]]] = vars(connection).setdefault("prepared_inserts", {})
        if self not in known:
            known[self] = self._worded(connection, row)
        sql, fields = known[self]
        values = [field.get_db_prep_save(field.pre_save(row, True), connection) for field in fields]
        with (
            transaction.mark_for_rollback_on_error(DEFAULT_DB_ALIAS),
            _planned_once(connection),
            connection.cursor() as cursor,
        ):
            cursor.execute(sql, values)
            (row.pk,) = cursor.fetchone()
        row._state.adding, row._state.db = False, DEFAULT_DB_ALIAS
        return row

    def _worded(self, connection: BaseDatabaseWrapper, row: Stored) -> tuple[str, list[Any]]:
        meta = self._model._meta
        query: Any = InsertQuery(
            self._model,
            on_conflict=OnConflict.UPDATE if self._update else None,
            unique_fields=[meta.get_field(name) for name in self._unique],
            update_fields=[meta.get_field(name) for name in self._update],
        )
        fields = [field for field in meta.concrete_fields if not field.primary_key]
        query.insert_values(fields, [row])
        compiler = query.get_compiler(connection=connection)
        compiler.returning_fields = [meta.pk]
        ((sql, _),) = compiler.as_sql()
        return sql, fields


class PreparedUpdate(Generic[Stored]):
    """An update of the columns `names` of a row by its number, made ready; none of them is ever empty.

    Like Django's bulk writes it calls no `save` and sends no signals.
    """

    def __init__(self, model: type[Stored], *names: str) -> None:
        self._model = model
        self._fields: list[Any] = [model._meta.get_field(name) for name in names]

    def store(self, row: Stored) -> None:
        """Update the row. Raises ObjectDoesNotExist where it is gone."""
        connection = connections[DEFAULT_DB_ALIAS]
        known: dict[PreparedUpdate[Any], str] = vars(connection).setdefault("prepared_updates", {})
        if self not in known:
            known[self] = self._worded(connection, row)
        values = [field.get_db_prep_save(field.pre_save(row, False), connection) for field in self._fields]
        with (
            transaction.mark_for_rollback_on_error(DEFAULT_DB_ALIAS),
            _planned_once(connection),
            connection.cursor() as cursor,
        ):
            cursor.execute(known[self], [*values, row.pk])
            if cursor.rowcount != 1:
                raise ObjectDoesNotExist(f"{self._model.__name__} {row.pk} is gone")

    def _worded(self, connection: BaseDatabaseWrapper, row: Stored) -> str:
        query: Any = UpdateQuery(self._model)
        query.add_q(Q(pk=row.pk))
        query.add_update_fields([(field, None, field.pre_save(row, False)) for field in self._fields])
        sql, parameters = query.get_compiler(connection=connection).as_sql()
        if len(parameters) != len(self._fields) + 1:
            raise ValueError("a column without a value has no place in the SQL")
        return str(sql)


@contextmanager
def _planned_once(connection: BaseDatabaseWrapper) -> Iterator[None]:
    """Have PostgreSQL keep the statements sent meanwhile for this connection, parsed and planned.

    Django sends the values within the text, a new one each time: to plan the longest of ours takes the server ten
    times as long as to answer it. What is kept goes with the connection; a pooler between must know of it.
    """
    if connection.vendor != "postgresql" or connection.queries_logged:  # who logs them is to have their text
        yield
        return
    from django.db.backends.postgresql.base import ServerBindingCursor

    connection.close_if_health_check_failed()
    connection.ensure_connection()
    raw: Any = connection.connection

    before = raw.cursor_factory, raw.prepare_threshold
    raw.cursor_factory, raw.prepare_threshold = ServerBindingCursor, 0
    try:
        yield
    finally:
        raw.cursor_factory, raw.prepare_threshold = before


def _stand_in(kind: type, number: int) -> Any:
    """Return a value that no query has of its own."""
    if kind is int:
        return 7_000_000_000_000_000 + number
    if kind is str:
        return f"\x01{number}\x01"
    if kind is dt.datetime:
        return dt.datetime(9000 + number, 1, 1, tzinfo=dt.UTC)
    raise TypeError(f"no stand-in for {kind}")


def _for_database(value: Any, connection: BaseDatabaseWrapper) -> Any:
    """Return a value as a query of this engine takes it."""
    if isinstance(value, Model):
        return value.pk
    return connection.ops.adapt_datetimefield_value(value) if isinstance(value, dt.datetime) else value
