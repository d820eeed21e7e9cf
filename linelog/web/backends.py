"""Who is signed in: read with the plant, by a query that is made ready, since every request asks."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.backends import ModelBackend
from django.db.models import Q, QuerySet

from linelog.web.prepared import Prepared

NAME = "linelog.web.backends.People"
EARLIER = "django.contrib.auth.backends.ModelBackend"  # in sessions from before 2026-12


def _by_number(pk: Any) -> QuerySet[Any]:
    people: Any = get_user_model()._default_manager
    found: QuerySet[Any] = people.select_related("plant").filter(pk=pk)
    return found


def _both(one: Any, other: Any) -> QuerySet[Any]:
    people: Any = get_user_model()._default_manager
    found: QuerySet[Any] = people.select_related("plant").filter(Q(pk=one) | Q(pk=other)).order_by()
    return found


BY_NUMBER: Prepared[Any] = Prepared(_by_number, pk=int)
BOTH: Prepared[Any] = Prepared(_both, one=int, other=int)
_read: ContextVar[dict[int, Any] | None] = ContextVar("people read together", default=None)


@contextmanager
def read_together(one: int, other: int) -> Iterator[None]:
    """Read two people in one query, for who asks for each of them within; each row is handed out once."""
    token = _read.set({person.pk: person for person in BOTH.rows(one=one, other=other)})
    try:
        yield
    finally:
        _read.reset(token)


def by_number(pk: int) -> Any:
    """Return a person with the plant, None where there is none."""
    read = _read.get()
    return read.pop(pk) if read and pk in read else BY_NUMBER.first(pk=pk)


class People(ModelBackend):
    """Django's own check of names and passwords, with another way to find the row of who is signed in."""

    def get_user(self, user_id: Any) -> Any:
        """Return the person, None where there is none or they are shut out."""
        person = by_number(int(user_id))
        return person if person is not None and self.user_can_authenticate(person) else None
