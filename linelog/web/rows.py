"""Rows of a query as objects of several models, for what every request asks: Django takes several times as long."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db import DEFAULT_DB_ALIAS
from django.db.models import Model
from django.db.models.base import ModelState


@dataclass(frozen=True, slots=True)
class Part:
    """The columns of one model in a row of many; `names` are attributes of the model."""

    model: type[Model]
    path: str = ""
    names: tuple[str, ...] = field(default=())

    @property
    def attributes(self) -> tuple[str, ...]:
        """The attributes read."""
        return self.names or tuple(column.attname for column in self.model._meta.concrete_fields)

    @property
    def columns(self) -> list[str]:
        """The columns as a query names them."""
        return [f"{self.path}{name}" for name in self.attributes]


class Columns:
    """The columns of several models one after the other in a row, and single values behind them."""

    def __init__(self, *parts: Part) -> None:
        self.columns = [column for part in parts for column in part.columns]
        self._parts = []
        start = 0
        for part in parts:
            stop = start + len(part.attributes)
            self._parts.append((part.model, part.attributes, slice(start, stop)))
            start = stop
        self.rest = slice(start, None)

    def values(self, part: int, row: Sequence[Any]) -> tuple[Any, ...]:
        """Return the columns of a part."""
        return tuple(row[self._parts[part][2]])

    def made(self, part: int, row: Sequence[Any]) -> Any:
        """Return a part as an object of its model; None where an outer join found none."""
        model, names, where = self._parts[part]
        values = row[where]
        return None if values[0] is None else _made(model, names, values)


def _made(model: type[Model], names: Sequence[str], values: Sequence[Any]) -> Any:
    """Return a row as an object, put together as unpickling does: what `__init__` sees to is there already."""
    made = model.__new__(model)
    state = ModelState()
    state.adding, state.db = False, DEFAULT_DB_ALIAS
    vars(made).update(zip(names, values, strict=True), _state=state)
    return made
