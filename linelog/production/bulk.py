"""Put a table of rows into the database in one go: the one place where each engine has its own way.

Measured on 2 cores (tests/bench/bench_import.py): on SQLite `executemany` is several times faster than
bulk_create with update_conflicts; on PostgreSQL a COPY into a temporary table, then one INSERT ... SELECT.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import polars as pl
from django.db import connection

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
    names = ", ".join(columns)
    with connection.cursor() as cursor:
        if isinstance(rows, bytes):
            with temporary("incoming", into, columns, rows):
                cursor.execute(f"INSERT INTO {into} ({names}) SELECT {names} FROM incoming {on_conflict}")  # noqa: S608 - names of our own models
                return int(cursor.rowcount)
        places = ", ".join(["%s"] * len(columns))
        cursor.executemany(f"INSERT INTO {into} ({names}) VALUES ({places}) {on_conflict}", rows)  # noqa: S608 - names of our own models
        return int(cursor.rowcount)


@contextmanager
def temporary(name: str, like: str, columns: list[str], rows: Payload) -> Iterator[None]:
    """Hold the rows in a temporary table of this connection, with these columns of the table `like`."""
    names = ", ".join(columns)
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TABLE IF EXISTS {name}")
        cursor.execute(f"CREATE TEMP TABLE {name} AS SELECT {names} FROM {like} WHERE 1 = 0")  # noqa: S608 - names of our own models
        if isinstance(rows, bytes):
            with cursor.copy(f"COPY {name} ({names}) FROM STDIN (FORMAT csv)") as copy:
                copy.write(rows)
            cursor.execute(f"ANALYZE {name}")
        else:
            # One step, not one for each row; it writes to this connection's own table and locks nobody out.
            cursor.execute("SAVEPOINT filling")
            insert(name, columns, rows)
            cursor.execute("RELEASE SAVEPOINT filling")
        yield
        cursor.execute(f"DROP TABLE {name}")
