"""All tables that can be taken away, and their data dictionary."""

from __future__ import annotations

from typing import Any

from linelog.reports.tables import counted, history, learned, planned, tooling, visits, worked_out
from linelog.reports.tables.table import Column, Kind, Row, Table, text
from linelog.web.permissions import may

ALL = (
    *visits.TABLES,
    *counted.TABLES,
    *learned.TABLES,
    *worked_out.TABLES,
    *planned.TABLES,
    *tooling.TABLES,
    *history.TABLES,
)
TABLES = {table.name: table for table in ALL}

DICTIONARY = (
    text("table", "Name of the table, as in its file."),
    text("column", "Name of the column."),
    text("type", "What it holds.", [(kind.value, "") for kind in Kind]),
    text("unit", "Its unit; empty: it has none."),
    text("meaning", "What it means."),
    text("codes", "The codes it may hold, each with its meaning, where it holds codes."),
)


def tables_for(user: Any) -> list[Table]:
    """Return the tables a person may take."""
    return [table for table in ALL if may(user, table.permission)]


def codes_words(column: Column) -> str:
    """Return the codes of a column, each with what it means."""
    return "; ".join(f"{code}: {label}" if label else code for code, label in column.codes)


def dictionary_of(table: Table) -> list[Row]:
    """Return the rows of the data dictionary of a table."""
    return [
        (table.name, one.name, one.kind.value, one.unit or None, one.meaning, codes_words(one) or None)
        for one in table.columns
    ]
