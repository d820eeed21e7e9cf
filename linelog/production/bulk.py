"""Put a table of rows into the database in one go: the one place where each engine has its own way.

Measured on 2 cores (tests/bench/bench_import.py): on SQLite `executemany` is several times faster than
bulk_create with update_conflicts; on PostgreSQL a COPY into a temporary table, then one INSERT ... SELECT.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

import polars as pl
from django.db import connection

from linelog.web.sql import places, statement

Payload = bytes | list[tuple[Any, ...]]


def payload(table: pl.DataFrame) -> Payload:
    """Return the rows as the engine takes them; made before the transaction, so that nobody waits for it."""
    if connection.vendor == "postgresql":
        return table.write_csv(include_header=False).encode()
    dates = [name for name, kind in table.schema.items() if kind == pl.Date]
    return table.with_columns(pl.col(dates).cast(pl.String)).rows()


def insert(into: str, columns: list[str], rows: Payload, on_conflict: str = "") -> int:
    """Insert the rows in the caller's transaction and return how many the database wrote.

    `into` and `columns` are names of our own models, never what a person typed; `on_conflict` is the clause
    after the values, the same for both engines.
    """
    if not rows:
        return 0
    begins = statement(connection, "INSERT INTO {into} ({columns}) ", into=into, columns=columns)
    with connection.cursor() as cursor:
        if isinstance(rows, bytes):
            with temporary("incoming", into, columns, rows):
                taken = statement(connection, "SELECT {columns} FROM incoming ", columns=columns)
                cursor.execute(begins + taken + on_conflict)
                return int(cursor.rowcount)
        cursor.executemany(f"{begins} VALUES ({places(columns)}) {on_conflict}", rows)
        return int(cursor.rowcount)


@contextmanager
def temporary(name: str, like: str, columns: list[str], rows: Payload) -> Iterator[None]:
    """Hold the rows in a temporary table of this connection, with these columns of the table `like`."""
    named = partial(statement, connection, name=name, like=like, columns=columns)
    with connection.cursor() as cursor:
        cursor.execute(named("DROP TABLE IF EXISTS {name}"))
        cursor.execute(named("CREATE TEMP TABLE {name} AS SELECT {columns} FROM {like} WHERE 1 = 0"))
        if isinstance(rows, bytes):
            with cursor.copy(named("COPY {name} ({columns}) FROM STDIN (FORMAT csv)")) as copy:
                copy.write(rows)
            cursor.execute(named("ANALYZE {name}"))
        else:
            # One step, not one for each row; it writes to this connection's own table and locks nobody out.
            cursor.execute("SAVEPOINT filling")
            insert(name, columns, rows)
            cursor.execute("RELEASE SAVEPOINT filling")
        yield
        cursor.execute(named("DROP TABLE {name}"))
