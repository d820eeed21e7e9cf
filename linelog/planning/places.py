"""Where in its week an entry goes: which stops, and when in them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence

from django.db.models import Q, QuerySet

from linelog.planning.models import PlannedPart, PlannedVisit, StopWindow, Stretch
from linelog.production.weeks import begins

_ROUNDING = dt.timedelta(seconds=1)
_LEAST_H = 1e-6

Span = tuple[dt.datetime, dt.datetime]


def place_in(
    entry: PlannedVisit, at: dt.datetime, wanted: StopWindow | None = None, besides: Collection[int] = ()
) -> tuple[Stretch, ...]:
    """Return the stop for an entry and when its work begins: the wanted stop, else the first with room.

    Nothing goes into a stop that is over at `at`, and in one that has begun nothing begins before. Where none takes
    it whole, it is spread over several in the order of their time, from the wanted one on if they suffice. Where what
    others leave does not suffice, it goes where it would without them, and all of them are overbooked: into one stop
    that is long enough, else into several, else into the longest. Where the week has no stop left for the machine,
    none.

    besides  entries, by id, that are placed anew after this one: they hold no room
    """
    stops = [stop for stop in _stops(entry) if stop.ends_at > at]
    taken = _taken(entry, stops, besides)
    for stop in sorted(stops, key=lambda stop: stop != wanted):
        found = _longest(stop, at, taken.get(stop.pk, []), entry.hours)
        if found is not None and found.hours == entry.hours:
            return (found,)
    since = [stop for stop in stops if wanted is not None and stop.starts_at >= wanted.starts_at]
    if spread := _spread(entry, at, since, taken) or _spread(entry, at, stops, taken):
        return spread
    longest = max(stops, key=lambda stop: stop.hours * stop.crews, default=None)
    if longest is not None and longest.hours < entry.hours and (over := _spread(entry, at, stops, {})):
        return over
    return (Stretch(longest, max(longest.starts_at, _next_quarter(at)), entry.hours),) if longest else ()


def short_of_room(entries: QuerySet[PlannedVisit]) -> list[PlannedVisit]:
    """Return those of open entries for which no crew is free in all of their time."""
    found = []
    for entry in entries:
        stretches = entry.stretches
        taken = _taken(entry, [one.window for one in stretches])
        free = [_free_until(one.window, one.starts_at, taken.get(one.window.pk, [])) for one in stretches]
        if any(until + _ROUNDING < one.ends_at for until, one in zip(free, stretches, strict=True)):
            found.append(entry)
    return found


def begin_in(entry: PlannedVisit, stretches: Sequence[Stretch]) -> None:
    """Set the first stop of an entry, or none; whoever calls saves it, and then keeps its parts."""
    entry.window, entry.starts_at = (stretches[0].window, stretches[0].starts_at) if stretches else (None, None)


def keep_parts(entry: PlannedVisit, stretches: Sequence[Stretch]) -> None:
    """Store what an entry does in the stops after its first."""
    PlannedPart.objects.bulk_create(
        PlannedPart(entry=entry, window=one.window, starts_at=one.starts_at, hours=one.hours) for one in stretches[1:]
    )


def _spread(
    entry: PlannedVisit, at: dt.datetime, stops: Sequence[StopWindow], taken: Mapping[int, Sequence[Span]]
) -> tuple[Stretch, ...]:
    """Spread an entry over stops; a stretch shorter than the least visit of the plant is not worth its stop."""
    least, left = entry.machine.line.plant.visit_base_hours, entry.hours
    parts: list[Stretch] = []
    for stop in sorted(stops, key=lambda stop: stop.starts_at):
        found = _longest(stop, at, taken.get(stop.pk, []), left)
        begins_after = not parts or (found is not None and found.starts_at >= parts[-1].ends_at)
        if found is not None and begins_after and found.hours >= min(least, left):
            parts.append(found)
            left -= found.hours
        if left <= _LEAST_H:
            return tuple(parts)
    return ()


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


def _taken(entry: PlannedVisit, stops: Sequence[StopWindow], besides: Collection[int] = ()) -> dict[int, list[Span]]:
    """Return from when to when entries other than this one and some besides are at work in each stop."""
    inside = Q(window__in=stops) | Q(parts__window__in=stops)
    planned = PlannedVisit.objects.filter(inside, state=PlannedVisit.State.PLANNED)
    others = planned.exclude(pk=entry.pk).exclude(pk__in=besides).distinct()
    found: dict[int, list[Span]] = {}
    for other in others.select_related("window").prefetch_related("parts__window"):
        for one in other.stretches:
            found.setdefault(one.window.pk, []).append((one.starts_at, one.ends_at))
    return found


def _longest(stop: StopWindow, at: dt.datetime, taken: Sequence[Span], hours: float) -> Stretch | None:
    """Return the earliest stretch of a stop in which a crew is free for so long, else the longest there is."""
    first = stop.starts_at if stop.starts_at >= at else _next_quarter(at)
    wanted = dt.timedelta(hours=hours)
    best: Stretch | None = None
    for start in sorted({first, *(end for _, end in taken if end >= first)}):
        free = _free_until(stop, start, taken) - start
        if free + _ROUNDING >= wanted:
            return Stretch(stop, start, hours)
        if free > _ROUNDING and (best is None or free > best.ends_at - best.starts_at):
            best = Stretch(stop, start, free.total_seconds() / 3600.0)
    return best


def _free_until(stop: StopWindow, start: dt.datetime, taken: Sequence[Span]) -> dt.datetime:
    """Return until when a crew of a stop is free from a time on; the time itself where none is."""
    for at in sorted({start, *(begin for begin, _ in taken if start < begin < stop.ends_at)}):
        if sum(1 for begin, end in taken if begin <= at + _ROUNDING and end > at + _ROUNDING) >= stop.crews:
            return at
    return max(stop.ends_at, start)
