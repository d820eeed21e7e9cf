"""The lockouts of an invented visit: verified first, handed over where the shift changes, returned at the end."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from linelog.alignment.models import Lockout, PersonalLock, Visit
from linelog.calc.lockout import life
from linelog.demo.scenario import ShiftPlan
from linelog.plant.lockout import OVERLAP_MINUTES
from linelog.plant.models import Person, Plant
from linelog.production.days import zone

BEFORE_THE_SHIFT = dt.timedelta(minutes=10)  # so long before its end a lockout is handed over
PROCEDURE = "LO-12"


def verify(visit: Visit, by: Person, at: dt.datetime, plant: Plant, shifts: Sequence[ShiftPlan]) -> Lockout:
    """Return the lockout of a visit as verified at this time."""
    starts = [shift.starts for shift in shifts]
    found = life(at, shift_starts=starts, zone=zone(plant), overlap_minutes=OVERLAP_MINUTES)
    return Lockout(
        visit=visit,
        verified_by=str(by),
        verified_at=at,
        procedure=PROCEDURE,
        logged_by=by,
        logged_at=at,
        runs_out_at=found.until,
        runs_out_why=found.why.value,
    )


def until(
    visit: Visit,
    by: Person,
    times: tuple[dt.datetime, dt.datetime],
    plant: Plant,
    shifts: Sequence[ShiftPlan],
    *,
    returned: bool,
) -> list[Lockout]:
    """Return the lockouts from the first verification to the end of the static work, handed over in between."""
    first, last = times
    rows = [verify(visit, by, first, plant, shifts)]
    while rows[-1].runs_out_at <= last:
        at = rows[-1].runs_out_at - BEFORE_THE_SHIFT
        rows[-1].ended_at, rows[-1].ended_how = at, Lockout.Ended.HANDED_OVER
        rows.append(verify(visit, by, at, plant, shifts))
    if returned:
        end = rows[-1]
        end.ended_at, end.ended_how = last, Lockout.Ended.RETURNED
        end.returned_at, end.returned_by = last, str(by)
        end.tools_counted = end.guards_closed = end.people_clear = True
    return rows


def locks_of(lockouts: Sequence[Lockout]) -> list[PersonalLock]:
    """Return the lock of whoever verified each."""
    return [
        PersonalLock(
            lockout=one,
            name=one.verified_by,
            number=f"{10 + one.logged_by_id % 30}",
            on_at=one.verified_at,
            off_at=one.ended_at,
        )
        for one in lockouts
    ]
