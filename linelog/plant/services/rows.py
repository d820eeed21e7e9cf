"""Add, change and remove a set-up record: what every service of the set-up does in the same way."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from typing import Any, TypeVar

from django.db import IntegrityError, models, transaction
from django.db.models import ProtectedError

from linelog.web import audit
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.permissions import Permission, may

Row = TypeVar("Row", bound=models.Model)


def check_may(by: Any) -> None:
    """Refuse whoever may not set up a plant."""
    if not may(by, Permission.SET_UP):
        raise NotAllowed("Your role does not change the plant set-up.")


def check_mine(by: Any, *rows: Any) -> None:
    """Refuse rows of another plant."""
    check_may(by)
    for row in rows:
        if not type(row).objects.for_user(by).filter(pk=row.pk).exists():
            raise NotAllowed("This is not of your plant.")


def locked(by: Any, row: Row) -> Row:
    """Return the row as it stands now, held until the transaction ends; only of one's own plant."""
    check_may(by)
    rows: Any = type(row)._default_manager
    fresh: Row | None = rows.for_user(by).select_for_update(of=("self",)).filter(pk=row.pk).first()
    if fresh is None:
        raise NotAllowed("This is not of your plant, or it was removed meanwhile.")
    return fresh


def same_version(row: Any, version: int, yours: Any = None) -> None:
    """Refuse what was typed over a version that has been replaced."""
    if row.version != version:
        raise Conflict(
            f"{row} was changed by somebody else meanwhile; yours is not stored yet.", theirs=row, yours=yours
        )


@contextmanager
def told_apart(sentence: str, field: str = "name") -> Iterator[None]:
    """Say in a sentence that the database already holds one of this name."""
    try:
        with transaction.atomic():
            yield
    except IntegrityError:
        raise Refused(sentence, field=field) from None


def plant_id_of(row: Any) -> int | None:
    """Return the plant in whose history a change stands."""
    found: int | None = type(row).objects.filter(pk=row.pk).values_list(row.plant_path, flat=True).first()
    return found


def add(*, by: Any, at: datetime, row: Row, taken: str, extra: Mapping[str, Any] | None = None) -> Row:
    """Store a new row with its history; `taken` is what to say where there is one of this name already."""
    check_may(by)
    with transaction.atomic():
        with told_apart(taken):
            row.save(force_insert=True)
        after = {**audit.snapshot(row), **(extra or {})}
        audit.record(by=by, action="added", obj=row, at=at, after=after, plant_id=plant_id_of(row))
    return row


def change(
    *,
    by: Any,
    at: datetime,
    row: Row,
    version: int,
    facts: Mapping[str, Any],
    taken: str = "There is one of this name already.",
    rules: Callable[[Row], None] | None = None,
    action: str = "changed",
) -> Row:
    """Change some fields of a row; Conflict where somebody was quicker. `rules` judges the row as it would be."""
    with transaction.atomic():
        fresh: Any = locked(by, row)
        same_version(fresh, version, facts)
        before = audit.snapshot(fresh)
        for name, value in facts.items():
            setattr(fresh, name, value)
        if rules:
            rules(fresh)
        fresh.version += 1
        with told_apart(taken):
            fresh.save(update_fields=[*facts, "version"])
        after = audit.snapshot(fresh)
        audit.record(by=by, action=action, obj=fresh, at=at, before=before, after=after, plant_id=plant_id_of(fresh))
    changed: Row = fresh
    return changed


def remove(*, by: Any, at: datetime, row: models.Model, version: int, in_use: str) -> None:
    """Remove a row nothing refers to; `in_use` is what to say where something does."""
    with transaction.atomic():
        fresh: Any = locked(by, row)
        same_version(fresh, version)
        before, plant_id = audit.snapshot(fresh), plant_id_of(fresh)
        audit.record(by=by, action="removed", obj=fresh, at=at, before=before, plant_id=plant_id)
        try:
            with transaction.atomic():
                fresh.delete()
        except ProtectedError:
            raise Refused(in_use) from None
