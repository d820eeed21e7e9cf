"""Which entries of the plan there is room for: what is overbooked or over avoids nothing, and stands in no total."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from linelog.planning.capacity import Capacity
from linelog.planning.models import PlannedVisit, Stretch

_ROUNDING = 1e-6


def with_room(capacity: Capacity, entries: Sequence[PlannedVisit], avoided: Mapping[int, float]) -> frozenset[int]:
    """Return the entries, by id, for which their stop and the crew's hours of their week suffice.

    avoided  what each would avoid, by id: pinned entries first, then those that avoid most, until the hours are used
    """
    in_week = dict(capacity.hours)
    in_stop: dict[int, float] = {}
    found = set()
    for entry in sorted(entries, key=lambda one: (not one.is_pinned, -avoided.get(one.pk, 0.0), one.pk)):
        stretches = entry.stretches
        if entry.week not in in_week or not stretches or stretches[-1].window.ends_at <= capacity.now:
            continue
        fits = all(_fits(one, in_stop.get(one.window.pk)) for one in stretches)
        if not fits or entry.hours > in_week[entry.week] + _ROUNDING:
            continue
        for one in stretches:
            left = in_stop.get(one.window.pk, one.window.hours * one.window.crews)
            in_stop[one.window.pk] = left - one.hours
        in_week[entry.week] -= entry.hours
        found.add(entry.pk)
    return frozenset(found)


def _fits(one: Stretch, left: float | None) -> bool:
    """Whether a stretch goes into its stop, of which so many hours are left (None: all of them)."""
    in_all = one.window.hours * one.window.crews if left is None else left
    return one.hours <= min(one.window.hours, in_all) + _ROUNDING
