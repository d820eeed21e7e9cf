"""What every change of the plan checks first."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from django.db import models

from linelog.web.errors import Conflict, NotAllowed
from linelog.web.permissions import Permission, may

Row = TypeVar("Row", bound=models.Model)


def check_may_plan(by: Any) -> None:
    """Refuse whoever may not plan."""
    if not may(by, Permission.PLAN):
        raise NotAllowed("Your role reads the plan; the maintenance manager changes it.")


def held(by: Any, row: Row, version: int | None = None, told: Callable[[Row], str] | None = None) -> Row:
    """Return the row as it stands now, held until the transaction ends; Conflict where its version is another.

    told  how a row reads, for who must see what stands there now beside their own
    """
    check_may_plan(by)
    rows: Any = type(row)._default_manager
    fresh: Any = rows.for_user(by).select_for_update(of=("self",)).filter(pk=row.pk).first()
    if fresh is None:
        raise NotAllowed("This is not of your plant, or it was removed meanwhile.")
    if version is not None and fresh.version != version:
        if told is None:
            said = f"{fresh} was changed by somebody else meanwhile; look at it before you change it."
        else:
            said = f"This was changed by somebody else meanwhile and reads now: {told(fresh)}. Yours is not stored."
        raise Conflict(said, theirs=fresh)
    found: Row = fresh
    return found
