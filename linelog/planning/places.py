"""Where in its week an entry goes: which stop, and when in it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.db.models import Q

from linelog.planning.models import PlannedVisit, StopWindow
from linelog.production.weeks import begins

_ROUNDING = dt.timedelta(seconds=1)


def place_in(
    entry: PlannedVisit, at: dt.datetime, wanted: StopWindow | None = None
) -> tuple[StopWindow | None, dt.datetime | None]:
    """Return the stop for an entry and when its work begins: the wanted stop, else the first with room.

    Nothing goes into a stop that is over at `at`, and in one that has begun nothing begins before. Where none has
    room the longest is taken, overbooked; where the week has none left for the machine, neither.
    """
    stops = [stop for stop in ([wanted] if wanted else _stops(entry)) if stop.ends_at > at]
    taken = _taken(entry, stops)
    for stop in stops:
        start = _free_start(stop, at, taken.get(stop.pk, []), entry.hours)
        if start is not None:
            return stop, start
    longest = max(stops, key=lambda stop: stop.hours * stop.crews, default=None)
    return longest, max(longest.starts_at, _next_quarter(at)) if longest else None


def _next_quarter(at: dt.datetime) -> dt.datetime:
    """Return the next quarter of an hour: nobody plans for 10:07."""
    passed = dt.timedelta(minutes=at.minute % 15, seconds=at.second, microseconds=at.microsecond)
    return at - passed + (dt.timedelta(minutes=15) if passed else dt.timedelta())


def _stops(entry: PlannedVisit) -> list[StopWindow]:
    """Return the stops of the machine's week: its own first, then its line's, then the whole plant's."""
    line = entry.machine.line
    first, last = begins(line.plant, entry.week), begins(line.plant, entry.week + dt.timedelta(days=7))
    whose = Q(machine=entry.machine_id) | Q(line=line.pk) | Q(line__isnull=True, machine__isnull=True)
    rows = StopWindow.objects.filter(whose, plant=line.plant_id, starts_at__gte=first, starts_at__lt=last)
    return sorted(rows, key=lambda stop: (stop.machine_id is None, stop.line_id is None, stop.starts_at))


def _taken(entry: PlannedVisit, stops: Sequence[StopWindow]) -> dict[int, list[tuple[dt.datetime, dt.datetime]]]:
    """Return from when to when other entries are at work in each stop."""
    others = PlannedVisit.objects.filter(window__in=stops, state=PlannedVisit.State.PLANNED).exclude(pk=entry.pk)
    found: dict[int, list[tuple[dt.datetime, dt.datetime]]] = {}
    for window, start, hours in others.values_list("window_id", "starts_at", "hours"):
        if window is not None and start is not None:
            found.setdefault(window, []).append((start, start + dt.timedelta(hours=hours)))
    return found


def _free_start(
    stop: StopWindow, at: dt.datetime, taken: Sequence[tuple[dt.datetime, dt.datetime]], hours: float
) -> dt.datetime | None:
    """Return the earliest time in a stop at which a crew is free for so long."""
    length = dt.timedelta(hours=hours)
    first = stop.starts_at if stop.starts_at >= at else _next_quarter(at)
    for start in sorted({first, *(end for _, end in taken if end >= first)}):
        if start + length > stop.ends_at + _ROUNDING:
            continue
        busy = sum(1 for begin, end in taken if begin < start + length - _ROUNDING and end > start + _ROUNDING)
        if busy < stop.crews:
            return start
    return None
