"""Stops of the coming weeks, and a plan laid into them: one entry pinned, some machines left out with the reason."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from linelog.planning.capacity import capacity_of
from linelog.planning.models import PlannedVisit, StopWindow
from linelog.planning.places import begin_in, keep_parts, place_in
from linelog.planning.suggest import stops_in, suggest
from linelog.plant.models import Line, Plant
from linelog.production import weeks as calendar
from linelog.production.days import local_day
from linelog.trends.state.outlook import Coming, coming

WEEKS = 4
# Day of the week, hour, length and crews of the stops of a line, the first, the second ...; and of the whole plant.
LINE_STOPS = ((1, 6, 8, 1), (3, 6, 8, 1))
PLANT_STOP = (5, 6, 10, 2)
PLANT_STOP_WEEK = 2


def lay(plant: Plant, at: dt.datetime) -> int:
    """Store stops for the coming weeks and what the search suggests for all but the last; return the entries."""
    weeks = calendar.coming(local_day(plant, at), 2 * WEEKS)
    rows = [
        _stop(plant, week, LINE_STOPS[number % len(LINE_STOPS)], "Weekly stop", line)
        for week in weeks
        for number, line in enumerate(Line.objects.filter(plant=plant).order_by("name"))
    ]
    rows.append(_stop(plant, weeks[PLANT_STOP_WEEK], PLANT_STOP, "Whole plant: power works", None))
    StopWindow.objects.bulk_create(row for row in rows if row.starts_at > at)
    found = coming(plant, WEEKS, at=at)
    ends = calendar.begins(plant, weeks[WEEKS])
    return _plan(found, stops_in(plant.pk, at, ends), at)


def _stop(plant: Plant, week: dt.date, when: tuple[int, int, int, int], note: str, line: Line | None) -> StopWindow:
    day, hour, length, crews = when
    starts = calendar.begins(plant, week + dt.timedelta(days=day)).replace(hour=hour)
    ends = starts + dt.timedelta(hours=length)
    return StopWindow(plant=plant, line=line, starts_at=starts, ends_at=ends, crews=crews, note=note)


def _plan(found: Coming, stops: Sequence[StopWindow], at: dt.datetime) -> int:
    """Take over the suggestion up to the last week, so that it still has something to say; pin the first entry."""
    by_pk = {stop.pk: stop for stop in stops}
    made = 0
    for one in suggest(found, stops, [], capacity_of(found.plant, found.weeks, at)).changes:
        if one.week is None or one.window is None or one.week >= found.weeks[-1]:
            continue
        outlook = found.machines[one.machine]
        entry = PlannedVisit(
            machine=outlook.machine, week=one.week, hours=one.hours, reason=outlook.reason, is_pinned=made == 0,
            made_at=at, changed_at=at,
        )  # fmt: skip
        stretches = place_in(entry, at, by_pk[one.window])
        begin_in(entry, stretches)
        entry.save()
        keep_parts(entry, stretches)
        made += 1
    return made
