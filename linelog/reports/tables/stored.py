"""Tables whose rows are stored: each column read from a field, one query for all, in the order they were stored."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Max, Min, QuerySet

from linelog.reports.tables.asked import Asked, MachineNames
from linelog.reports.tables.table import (
    BATCH,
    Column,
    Extent,
    Row,
    Table,
    batches,
    in_plain,
    text,
    whole,
)

Read = Callable[[Asked, Any], Any]


@dataclass(frozen=True, slots=True)
class Field:
    """A column and the field it is read from; `read` makes of what is stored there what leaves."""

    column: Column
    path: str
    read: Read | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """Where rows come from.

    rows     all of them, of all plants
    whose    path to the machine (or plant, where `is_plants`) that a row is of
    day      path to the field that 'from' and 'to' choose by; is_time: whether it is a time, not a day
    """

    rows: Callable[[], QuerySet[Any]]
    whose: str
    day: str = ""
    is_time: bool = True
    is_plants: bool = False

    def chosen(self, asked: Asked) -> QuerySet[Any]:
        """Return the rows asked about, in no order."""
        rows = self.rows().order_by()
        if self.is_plants:
            rows = rows.filter(**{self.whose: asked.plant.pk})
        elif not asked.is_everything:
            rows = rows.filter(**{f"{self.whose}__in": list(asked.machines)})
        return rows.filter(**asked.span(self.day, is_time=self.is_time)) if self.day else rows

    def extent(self, asked: Asked) -> Extent:
        """Count the rows and find the first and last of their days."""
        ends = {"first": Min(self.day), "last": Max(self.day)} if self.day else {}
        found = self.chosen(asked).aggregate(rows=Count("pk"), **ends)
        first, last = (self._day(found.get(name), asked) for name in ("first", "last"))
        return Extent(found["rows"], first, last)

    def _day(self, value: Any, asked: Asked) -> dt.date | None:
        if value is None:
            return None
        day: dt.date = value.astimezone(asked.zone).date() if self.is_time else value
        return day


Add = Callable[[Asked, list[Row]], Iterable[Sequence[Any]]]


def stored(
    name: str,
    title: str,
    about: str,
    source: Source,
    fields: Sequence[Field],
    *,
    day: str,
    page: str,
    more: Sequence[Column] = (),
    add: Add | None = None,
    **rest: Any,
) -> Table:
    """Return a table of stored rows; `add` gives each row of a batch the values of the columns in `more`."""
    columns = tuple(field.column for field in fields)

    def rows(asked: Asked) -> Iterator[list[Row]]:
        for batch in batches(_read(source, fields, asked)):
            base = in_plain(batch, columns, asked.zone)
            if add is None:
                yield base
            else:
                added = in_plain(add(asked, base), more, asked.zone)
                yield [(*row, *extra) for row, extra in zip(base, added, strict=True)]

    return Table(name, title, about, (*columns, *more), rows, source.extent, day, page, **rest)


def _read(source: Source, fields: Sequence[Field], asked: Asked) -> Iterator[list[Any]]:
    paths = list(dict.fromkeys(field.path for field in fields))
    at = [(paths.index(field.path), field.read) for field in fields]
    found = source.chosen(asked).order_by("pk").values_list(*paths).iterator(BATCH)
    for row in found:
        yield [row[index] if read is None else read(asked, row[index]) for index, read in at]


def machine_and_line(path: str) -> tuple[Field, Field]:
    """Return the columns that name line and machine, by the machine's number."""
    return (
        Field(text("line", "Line of the machine."), path, lambda asked, pk: asked.named(pk).line),
        Field(text("machine", "Machine."), path, lambda asked, pk: asked.named(pk).machine),
    )


def of_station(path: str, kinds: Iterable[tuple[Any, Any]]) -> tuple[Field, ...]:
    """Return the columns that name line, machine and station, by the station's number."""

    def machine(asked: Asked, pk: int) -> MachineNames:
        return asked.named(asked.stations[pk].machine_id)

    return (
        Field(text("line", "Line of the machine."), path, lambda asked, pk: machine(asked, pk).line),
        Field(text("machine", "Machine."), path, lambda asked, pk: machine(asked, pk).machine),
        Field(text("station", "Station of the machine."), path, lambda asked, pk: asked.stations[pk].station),
        Field(text("station_kind", "Kind of the station.", kinds), path, lambda asked, pk: asked.stations[pk].kind),
    )


def visit_number(path: str) -> Field:
    """Return the column by which tables are joined to the visits."""
    return Field(whole("visit_id", "Number of the visit, the same in every table."), path)


def as_json(asked: Asked, value: Any) -> str:
    """Read what is stored as JSON; nothing where it holds nothing."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True) if value else ""


def person(name: str, meaning: str, path: str) -> Field:
    """Return a column that names a person by number."""
    return Field(text(name, meaning), path, lambda asked, pk: pk and asked.people.get(pk))


def tooling_set(path: str) -> Field:
    """Return the column that names a tooling set by its number."""
    return Field(text("tooling_set", "Tooling set."), path, lambda asked, pk: pk and asked.sets.get(pk))
