"""What every change of the plan checks first."""

from __future__ import annotations

from typing import Any, TypeVar

from django.db import models

from linelog.web.errors import Conflict, NotAllowed
from linelog.web.permissions import Permission, may

Row = TypeVar("Row", bound=models.Model)


def check_may_plan(by: Any) -> None:
    """Refuse whoever may not plan."""
    if not may(by, Permission.PLAN):
        raise NotAllowed("Your role reads the plan; the maintenance manager changes it.")


def held(by: Any, row: Row, version: int | None = None) -> Row:
    """Return the row as it stands now, held until the transaction ends; Conflict where its version is another."""
    check_may_plan(by)
    rows: Any = type(row)._default_manager
    fresh: Any = rows.for_user(by).select_for_update(of=("self",)).filter(pk=row.pk).first()
    if fresh is None:
        raise NotAllowed("This is not of your plant, or it was removed meanwhile.")
    if version is not None and fresh.version != version:
        raise Conflict(
            f"{fresh} was changed by somebody else meanwhile; look at it before you change it.", theirs=fresh
        )
    found: Row = fresh
    return found
