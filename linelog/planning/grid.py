"""The plan week by week as the page shows it, and what is wrong with it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from linelog.planning.capacity import Capacity
from linelog.planning.models import PlannedVisit, StopWindow
from linelog.planning.suggest import avoided_of, week_of
from linelog.production.weeks import label
from linelog.trends.state.outlook import Coming, MachineState
from linelog.web.units import show_hours

_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True)
class Shown:
    """An entry with what it avoids and what is wrong with it; where it may go by a press of a button.

    has_room  whether its stop and the hours of its week suffice for it: else it avoids nothing
    """

    entry: PlannedVisit
    outlook: MachineState | None
    avoided: float
    has_room: bool
    troubles: tuple[str, ...]
    earlier: dt.date | None
    later: dt.date | None


@dataclass(frozen=True, slots=True)
class Week:
    """A week: its entries, its stops, the hours used and those there are (`crew_version` 0: the usual ones)."""

    monday: dt.date
    label: str
    shown: tuple[Shown, ...]
    stops: tuple[StopWindow, ...]
    hours: float
    crew_hours: float
    crew_version: int

    @property
    def over(self) -> float:
        """Hours beyond those of the crew."""
        return max(self.hours - self.crew_hours, 0.0) if self.hours > self.crew_hours + _ROUNDING else 0.0


def grid(
    coming: Coming,
    stops: Sequence[StopWindow],
    entries: Sequence[PlannedVisit],
    capacity: Capacity,
    room: frozenset[int],
) -> list[Week]:
    """Put entries and stops into their weeks; `room` are those that there is room for."""
    return [_week(coming, number, stops, entries, capacity, room) for number in range(len(coming.weeks))]


def outside(coming: Coming, entries: Sequence[PlannedVisit], now: dt.datetime) -> list[Shown]:
    """Return open entries of weeks that are over, or beyond the last one shown."""
    return [_shown(coming, one, entries, now, frozenset()) for one in entries if one.week not in coming.weeks]


def _week(
    coming: Coming,
    number: int,
    stops: Sequence[StopWindow],
    entries: Sequence[PlannedVisit],
    capacity: Capacity,
    room: frozenset[int],
) -> Week:
    day = coming.weeks[number]
    shown = tuple(_shown(coming, one, entries, capacity.now, room) for one in entries if one.week == day)
    return Week(
        monday=day,
        label=label(day),
        shown=shown,
        stops=tuple(stop for stop in stops if week_of(coming, stop) == day),
        hours=sum(one.entry.hours for one in shown),
        crew_hours=capacity.hours[day],
        crew_version=capacity.versions.get(day, 0),
    )


def _shown(
    coming: Coming,
    entry: PlannedVisit,
    entries: Sequence[PlannedVisit],
    now: dt.datetime,
    room: frozenset[int],
) -> Shown:
    weeks = coming.weeks
    at = weeks.index(entry.week) if entry.week in weeks else None
    return Shown(
        entry=entry,
        outlook=coming.machines.get(entry.machine_id),
        avoided=avoided_of(coming, entry) if entry.pk in room else 0.0,
        has_room=entry.pk in room,
        troubles=tuple(_troubles(coming, entry, entries, now)),
        earlier=weeks[at - 1] if at else None,
        later=weeks[at + 1] if at is not None and at + 1 < len(weeks) else (weeks[0] if at is None else None),
    )


def _troubles(coming: Coming, entry: PlannedVisit, entries: Sequence[PlannedVisit], now: dt.datetime) -> list[str]:
    found = []
    if entry.week < coming.weeks[0]:
        found.append("Its week is over and no signed visit came of it.")
    stretches = entry.stretches
    if not stretches:
        found.append("No stop of its machine in this week: it needs one, or another week.")
        return found
    if stretches[-1].window.ends_at <= now and entry.week >= coming.weeks[0]:
        found.append("Its stop is over and no signed visit came of it: choose another week.")
    in_all = [one for other in entries for one in other.stretches]
    for one in stretches:
        stop = one.window
        if one.hours > stop.hours + _ROUNDING:
            found.append(f"It takes {show_hours(one.hours)} h and its stop is {show_hours(stop.hours)} h long.")
        used = sum(other.hours for other in in_all if other.window.pk == stop.pk)
        if used > stop.hours * stop.crews + _ROUNDING:
            found.append(
                f"Its stop is overbooked: {show_hours(used)} h of work in {show_hours(stop.hours * stop.crews)} h."
            )
    return found
