"""What of a machine's stored summaries a change can have made different: how far back they are added up again.

After a night's import that is what lies after the last visit, a hundredth of the record. Counts between two visits
also move how the severity was carried between them, past visits that did not measure a place: where a visit lies on
or after the first day that changed, and wherever something else than counts changed, everything is added up.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from django.db.models import Count, Sum

from linelog.alignment.models import Visit
from linelog.plant.models import Machine
from linelog.production.days import production_day
from linelog.production.models import DayCount
from linelog.trends.models import Piece, Stretch

SUMMED = ("cans", "spoiled", "tear_offs", "jams", "short_cans")


@dataclass(frozen=True, slots=True)
class Called:
    """A signed visit and its production day."""

    pk: int
    day: np.datetime64
    date: dt.date


@dataclass(frozen=True, slots=True)
class Reach:
    """What is worked out again; None: everything.

    after  stretches and pieces after this day, which is that of the last visit
    """

    after: dt.date | None = None


EVERYTHING = Reach()


def visits_of(machine: Machine) -> tuple[Called, ...]:
    """Return the signed visits of a machine in the order of time."""
    plant = machine.line.plant
    signed = Visit.objects.filter(machine=machine, state=Visit.State.SIGNED).order_by("opened_at", "pk")
    days = ((pk, production_day(plant, at)) for pk, at in signed.values_list("pk", "opened_at"))
    return tuple(Called(pk, np.datetime64(day, "D"), day) for pk, day in days)


def either_side(visits: Sequence[Called], before: int) -> tuple[int | None, int | None]:
    """Return the visits between which days lie that so many visits came before; None where there is none."""
    since = visits[before - 1].pk if before > 0 else None
    return since, visits[before].pk if before < len(visits) else None


def reach_of(machine: Machine, visits: Sequence[Called], first_day: dt.date | None) -> Reach:
    """Return what a change of counts from `first_day` on reaches; everything where it is None, or in doubt."""
    if first_day is None or not visits or visits[-1].date >= first_day:
        return EVERYTHING
    after = visits[-1].date
    return Reach(after) if _stored_up_to(machine, visits, after) else EVERYTHING


def _stored_up_to(machine: Machine, visits: Sequence[Called], day: dt.date) -> bool:
    """Whether the stored summaries know these visits and hold all that is counted before a day.

    They do not after a load or a restore that told nobody; then a part alone must not be added to them.
    """
    days = [visit.date for visit in visits]
    stretches = Stretch.objects.filter(machine=machine).values_list("first_day", "since_visit", "until_visit")
    if any(either_side(visits, bisect_right(days, first)) != tuple(ends) for first, *ends in stretches):
        return False
    sums = {name: Sum(name, default=0) for name in SUMMED}
    counted = DayCount.objects.filter(machine=machine, day__lt=day).exclude(day__in={one.date for one in visits})
    whole = counted.aggregate(in_all=Count("pk"), **sums)
    parts = (
        model.objects.filter(machine=machine, first_day__lt=day).aggregate(in_all=Sum("days", default=0), **sums)
        for model in (Stretch, Piece)
    )
    return all(part == whole for part in parts)
