"""Set the crew's hours of one week."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import IntegrityError, transaction

from linelog.planning.models import CrewWeek
from linelog.planning.services.guard import check_may_plan
from linelog.plant.models import Plant
from linelog.production.weeks import label, monday
from linelog.web import audit
from linelog.web.errors import Conflict, Refused
from linelog.web.units import show_hours

MOST_HOURS = 10_000.0


def set_hours(*, by: Any, at: dt.datetime, plant: Plant, week: dt.date, hours: float, version: int) -> CrewWeek:
    """Keep the hours of a week; `version` is the one seen, 0 where the usual hours of the plant stood."""
    check_may_plan(by)
    if not 0.0 <= hours <= MOST_HOURS:
        raise Refused(f"The crew's hours must be between 0 and {MOST_HOURS:g}.", field="hours")
    try:
        with transaction.atomic():
            row = CrewWeek.objects.select_for_update().filter(plant=plant, week=monday(week)).first()
            if (row.version if row else 0) != version:
                stands = f"{show_hours(row.hours)} h" if row else "the usual hours"
                raise Conflict(
                    f"The crew's hours of {label(monday(week))} were set by somebody else meanwhile: {stands}. "
                    f"Yours, {show_hours(hours)} h, are not stored.",
                    theirs=row,
                )
            before = audit.snapshot(row) if row else None
            row = row or CrewWeek(plant=plant, week=monday(week), version=0)
            row.hours, row.version = hours, version + 1
            row.save()
            after = audit.snapshot(row)
            audit.record(
                by=by, action="set crew hours", obj=row, at=at, before=before, after=after, plant_id=plant.pk
            )
    except IntegrityError:
        raise Conflict("Somebody else set the crew's hours of this week at the same moment: look again.") from None
    return row
