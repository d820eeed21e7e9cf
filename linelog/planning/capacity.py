"""What there is to plan with: the crew's hours of each week, and the time from which a stop can be used."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from linelog.planning.models import CrewWeek
from linelog.plant.models import Plant


@dataclass(frozen=True, slots=True)
class Capacity:
    """The crew's hours for alignment by week; what is over by `now` takes no more.

    versions  of the weeks whose hours were set by themselves
    """

    hours: Mapping[dt.date, float]
    now: dt.datetime
    versions: Mapping[dt.date, int]


def capacity_of(plant: Plant, weeks: Sequence[dt.date], now: dt.datetime) -> Capacity:
    """Read the hours of weeks: as set for the week, else as usual in the plant."""
    own = {row.week: row for row in CrewWeek.objects.filter(plant=plant, week__in=weeks)}
    hours = {week: own[week].hours if week in own else plant.crew_hours_per_week for week in weeks}
    return Capacity(hours, now, {week: row.version for week, row in own.items()})
