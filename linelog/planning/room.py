"""Which entries of the plan there is room for: what is overbooked or over avoids nothing, and stands in no total."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from linelog.planning.capacity import Capacity
from linelog.planning.models import PlannedVisit

_ROUNDING = 1e-6


def with_room(capacity: Capacity, entries: Sequence[PlannedVisit], avoided: Mapping[int, float]) -> frozenset[int]:
    """Return the entries, by id, for which their stop and the crew's hours of their week suffice.

    avoided  what each would avoid, by id: pinned entries first, then those that avoid most, until the hours are used
    """
    in_week = dict(capacity.hours)
    in_stop: dict[int, float] = {}
    found = set()
    for entry in sorted(entries, key=lambda one: (not one.is_pinned, -avoided.get(one.pk, 0.0), one.pk)):
        stop = entry.window
        if entry.week not in in_week or stop is None or stop.ends_at <= capacity.now:
            continue
        left = in_stop.setdefault(stop.pk, stop.hours * stop.crews)
        if entry.hours > min(stop.hours, left, in_week[entry.week]) + _ROUNDING:
            continue
        in_stop[stop.pk] -= entry.hours
        in_week[entry.week] -= entry.hours
        found.add(entry.pk)
    return frozenset(found)
