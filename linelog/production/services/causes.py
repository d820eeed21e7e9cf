"""The causes a plant sorts its spoilage by."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import IntegrityError, transaction

from linelog.plant.models import Plant
from linelog.production import chunks
from linelog.production.models import ShiftCount, SpoilageCause
from linelog.production.services.counts import Numbers
from linelog.production.services.guard import check_may_count
from linelog.web import audit
from linelog.web.errors import Refused

MOST_RECODED = 2_000  # shifts rewritten in one transaction while tablets wait


def add(*, by: Any, at: dt.datetime, plant: Plant, code: str, name: str) -> SpoilageCause:
    """Add a cause."""
    check_may_count(by)
    with transaction.atomic():
        _refuse_known_code(plant.pk, code)
        cause = SpoilageCause.objects.create(plant=plant, code=code, name=name)
        audit.record(by=by, action="added", obj=cause, at=at, after=audit.snapshot(cause), plant_id=plant.pk)
    return cause


def change(*, by: Any, at: dt.datetime, cause: SpoilageCause, code: str, name: str) -> SpoilageCause:
    """Rename a cause; a new code is also written into the shifts that carry the old one."""
    check_may_count(by)
    before = audit.snapshot(cause)
    try:
        with transaction.atomic():
            chunks.lock(cause.plant_id)
            if code != cause.code:
                _refuse_known_code(cause.plant_id, code, but=cause)
                _recode(cause, code, at)
            cause.code, cause.name = code, name
            cause.save(update_fields=["code", "name"])
            after = audit.snapshot(cause)
            audit.record(
                by=by, action="changed", obj=cause, at=at, before=before, after=after, plant_id=cause.plant_id
            )
    except IntegrityError:
        raise Refused(f"The code {code} is taken.", field="code") from None
    return cause


def take_out(*, by: Any, at: dt.datetime, cause: SpoilageCause) -> None:
    """Take out a cause that no shift carries."""
    check_may_count(by)
    with transaction.atomic():
        chunks.lock(cause.plant_id)
        if _with_cause(cause).exists():
            raise Refused(f"Shifts are counted under {cause.code}; it can be renamed but not taken out.")
        audit.record(
            by=by, action="took out", obj=cause, at=at, before=audit.snapshot(cause), plant_id=cause.plant_id
        )
        cause.delete()


def _with_cause(cause: SpoilageCause) -> Any:
    return ShiftCount.objects.filter(machine__line__plant=cause.plant_id, by_cause__has_key=cause.code)


def _refuse_known_code(plant_id: int, code: str, but: SpoilageCause | None = None) -> None:
    """Codes that differ only in capitals would be one and the same in a file's heading."""
    others = SpoilageCause.objects.filter(plant=plant_id, code__iexact=code)
    if but is not None:
        others = others.exclude(pk=but.pk)
    if others.exists():
        raise Refused(f"The code {code} is taken.", field="code")


def _recode(cause: SpoilageCause, code: str, at: dt.datetime) -> None:
    rows = list(_with_cause(cause).only("by_cause", "machine_id")[: MOST_RECODED + 1])
    if len(rows) > MOST_RECODED:
        raise Refused(
            f"More than {MOST_RECODED} shifts are counted under {cause.code}: "
            "its name can change, its code no longer.",
            field="code",
        )
    for row in rows:
        renamed = {code if old == cause.code else old: cans for old, cans in row.by_cause.items()}
        row.by_cause = Numbers(0, 0, by_cause=renamed).values()["by_cause"]
    ShiftCount.objects.bulk_update(rows, ["by_cause"], batch_size=200)
    chunks.tell(cause.plant_id, {row.machine_id for row in rows}, at)
