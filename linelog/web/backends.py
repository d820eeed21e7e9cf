"""Who is signed in: read with the plant, by a query that is made ready, since every request asks."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.backends import ModelBackend
from django.db.models import Q, QuerySet

from linelog.web.prepared import Prepared
from linelog.web.rows import Columns, Part

NAME = "linelog.web.backends.People"
EARLIER = "django.contrib.auth.backends.ModelBackend"  # in sessions from before 2026-12


@cache
def _columns() -> Columns:
    people: Any = get_user_model()
    return Columns(Part(people), Part(people._meta.get_field("plant").related_model, "plant__"))


def _rows(where: Q) -> QuerySet[Any, tuple[Any, ...]]:
    people: Any = get_user_model()._default_manager
    found: QuerySet[Any, tuple[Any, ...]] = people.filter(where).order_by().values_list(*_columns().columns)
    return found


def _person(row: tuple[Any, ...]) -> Any:
    """Return the person of a row, with the plant."""
    person = _columns().made(0, row)
    person._state.fields_cache["plant"] = _columns().made(1, row)
    return person


BY_NUMBER = Prepared(lambda pk: _rows(Q(pk=pk)), pk=int)
BOTH = Prepared(lambda one, other: _rows(Q(pk=one) | Q(pk=other)), one=int, other=int)
_read: ContextVar[dict[int, Any] | None] = ContextVar("people read together", default=None)


@contextmanager
def read_together(one: int, other: int) -> Iterator[None]:
    """Read two people in one query, for who asks for each of them within; each row is handed out once."""
    token = _read.set({person.pk: person for person in map(_person, BOTH.rows(one=one, other=other))})
    try:
        yield
    finally:
        _read.reset(token)


def by_number(pk: int) -> Any:
    """Return a person with the plant, None where there is none."""
    read = _read.get()
    if read and pk in read:
        return read.pop(pk)
    row = BY_NUMBER.first(pk=pk)
    return _person(row) if row is not None else None


class People(ModelBackend):
    """Django's own check of names and passwords, with another way to find the row of who is signed in."""

    def get_user(self, user_id: Any) -> Any:
        """Return the person, None where there is none or they are shut out."""
        person = by_number(int(user_id))
        return person if person is not None and self.user_can_authenticate(person) else None
