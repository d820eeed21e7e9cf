"""Which entries of the plan there is room for: what is overbooked avoids nothing, and stands in no total."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from linelog.planning.models import PlannedVisit
from linelog.trends.state.outlook import Coming

_ROUNDING = 1e-6


def with_room(coming: Coming, entries: Sequence[PlannedVisit], avoided: Mapping[int, float]) -> frozenset[int]:
    """Return the entries, by id, for which their stop and the crew's hours of their week suffice.

    avoided  what each would avoid, by id: pinned entries first, then those that avoid most, until the hours are used
    """
    free: dict[object, float] = defaultdict(lambda: coming.plant.crew_hours_per_week)
    found = set()
    for entry in sorted(entries, key=lambda one: (not one.is_pinned, -avoided.get(one.pk, 0.0), one.pk)):
        stop = entry.window
        if entry.week not in coming.weeks or stop is None or entry.hours > stop.hours + _ROUNDING:
            continue
        left = free.setdefault(stop.pk, stop.hours * stop.crews)
        if entry.hours > min(left, free[entry.week]) + _ROUNDING:
            continue
        free[stop.pk] -= entry.hours
        free[entry.week] -= entry.hours
        found.add(entry.pk)
    return frozenset(found)
