"""What of a machine's stored summaries a change can have made different: how far back they are added up again.

After a night's import that is what lies after the last visit, a hundredth of the record. Counts between two visits
also move how the severity was carried between them, past visits that did not measure a place: where a visit lies on
or after the first day that changed, and wherever something else than counts changed, everything is added up.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from django.db.models import Count, Sum

from linelog.alignment.models import Visit
from linelog.plant.models import Machine
from linelog.production.days import production_day
from linelog.production.models import DayCount
from linelog.trends.models import DAYS_AROUND, Around, Piece, Stretch

WIDEST = dt.timedelta(days=max(DAYS_AROUND))
SUMMED = ("cans", "spoiled", "tear_offs", "jams", "short_cans")


@dataclass(frozen=True, slots=True)
class Called:
    """A signed visit and its production day."""

    pk: int
    day: np.datetime64
    date: dt.date


@dataclass(frozen=True, slots=True)
class Reach:
    """What is worked out again; None everywhere: everything.

    after        stretches and pieces after this day, which is that of the last visit
    around_from  the days around visits from this day on
    since        the first day of which counts are needed for both
    """

    after: dt.date | None = None
    around_from: dt.date | None = None
    since: dt.date | None = None


EVERYTHING = Reach()


def visits_of(machine: Machine) -> tuple[Called, ...]:
    """Return the signed visits of a machine in the order of time."""
    plant = machine.line.plant
    signed = Visit.objects.filter(machine=machine, state=Visit.State.SIGNED).order_by("opened_at", "pk")
    days = ((pk, production_day(plant, at)) for pk, at in signed.values_list("pk", "opened_at"))
    return tuple(Called(pk, np.datetime64(day, "D"), day) for pk, day in days)


def last_of_each_day(visits: Iterable[Called]) -> Iterable[Called]:
    """Keep one visit a production day."""
    return {visit.day: visit for visit in visits}.values()


def reach_of(machine: Machine, visits: Sequence[Called], first_day: dt.date | None) -> Reach:
    """Return what a change of counts from `first_day` on reaches; everything where it is None, or in doubt."""
    if first_day is None or not visits or visits[-1].date >= first_day:
        return EVERYTHING
    after, around_from = visits[-1].date, first_day - WIDEST
    if not _stored_up_to(machine, visits, after):
        return EVERYTHING
    return Reach(after, around_from, min(after, around_from - WIDEST))


def _stored_up_to(machine: Machine, visits: Sequence[Called], day: dt.date) -> bool:
    """Whether the stored summaries know these visits and hold all that is counted before a day.

    They do not after a load or a restore that told nobody; then a part alone must not be added to them.
    """
    around = Around.objects.filter(machine=machine, window=DAYS_AROUND[0])
    if dict(around.values_list("visit_id", "day")) != {one.pk: one.date for one in last_of_each_day(visits)}:
        return False
    sums = {name: Sum(name, default=0) for name in SUMMED}
    counted = DayCount.objects.filter(machine=machine, day__lt=day).exclude(day__in={one.date for one in visits})
    whole = counted.aggregate(in_all=Count("pk"), **sums)
    parts = (
        model.objects.filter(machine=machine, first_day__lt=day).aggregate(in_all=Sum("days", default=0), **sums)
        for model in (Stretch, Piece)
    )
    return all(part == whole for part in parts)
