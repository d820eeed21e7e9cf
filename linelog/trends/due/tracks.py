"""What the log holds of each place, as the model of wandering takes it.

A place is a station, its seat, and the method: static and running values are never mixed.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from linelog.alignment.standing import AS_FOUND, AS_LEFT, Value
from linelog.calc.wander.log import Track, Visited
from linelog.plant.models import Station
from linelog.production.models import Event

Key = tuple[int, str, str]  # station, seat, method
DayOf = Callable[[dt.datetime], dt.date]
SECONDS_A_DAY = 86400.0
#: What may have moved something: due at once.
JOLTS = (
    Event.Kind.JAM,
    Event.Kind.CRASH,
    Event.Kind.RAM_WORK,
    Event.Kind.BUSHING_WORK,
    Event.Kind.CRADLE_WORK,
)
#: After these nobody knows where anything stands: what was before says nothing of what is after.
WORK = (Event.Kind.RAM_WORK, Event.Kind.BUSHING_WORK, Event.Kind.CRADLE_WORK)


@dataclass(frozen=True, slots=True)
class Strokes:
    """Million strokes of a machine by production day: `upto` counts all from the first known day."""

    days: np.ndarray[Any, np.dtype[np.datetime64]]
    upto: np.ndarray[Any, np.dtype[np.float64]]

    @classmethod
    def of(cls, days: Any, made: Any) -> Strokes:
        """Add up cans begun (a stroke each) per day."""
        return cls(
            np.asarray(days, dtype="datetime64[D]"),
            np.concatenate([[0.0], np.cumsum(np.asarray(made, dtype=np.float64)) / 1e6]),
        )

    def between(self, after: dt.date, until: dt.date) -> float:
        """Strokes of the days after one day, up to and with another."""
        first, last = np.searchsorted(self.days, [np.datetime64(after), np.datetime64(until)], side="right")
        return float(self.upto[last] - self.upto[first])


@dataclass(frozen=True, slots=True)
class Jolts:
    """Jams and crashes of a machine, and work on it, in the order of time."""

    hits: Sequence[dt.datetime] = ()
    work: Sequence[dt.datetime] = ()

    @classmethod
    def of(cls, rows: Iterable[tuple[dt.datetime, str]]) -> Jolts:
        """Sort events by what they do."""
        given = list(rows)
        return cls([at for at, kind in given if kind not in WORK], [at for at, kind in given if kind in WORK])

    def hit(self, after: dt.datetime, until: dt.datetime | None = None) -> int:
        """How many jams and crashes lie between two times."""
        return sum(1 for at in self.hits if after < at and (until is None or at <= until))

    def worked(self, after: dt.datetime, until: dt.datetime) -> bool:
        """Whether somebody worked on the machine between."""
        return any(after < at <= until for at in self.work)


def kind_of(station: Station, key: Key) -> str:
    """Name what the places of a kind have in common: the station's kind, the seat, and the method."""
    return "/".join([station.kind, *key[1:]])


@dataclass(slots=True)
class Run:
    """Values of a place in which each can be held against the one before, and how it was left last.

    million  strokes of its pairs: from what a visit left to what the next found
    """

    last: Value
    visits: list[Visited] = field(default_factory=list)
    million: float = 0.0

    @property
    def pairs(self) -> int:
        """How often it was found again after a visit."""
        return max(len(self.visits) - 1, 0)

    def track(self, machine: int, kind: str, limit_um: float, most: int) -> Track:
        """Return it as the model takes it, its newest visits."""
        return Track(machine, kind, limit_um, self.visits[-most:])


def runs_of(values: Iterable[Value], strokes: Strokes, jolts: Jolts, day: DayOf) -> dict[Key, list[Run]]:
    """Sort the values of one machine, in the order of time, into runs by place; the last one says how it stands.

    A new run begins where nothing ties a value to the one before: another carrier sees the ram hang differently, no
    strokes were counted between, somebody worked on ram, bushings or cradle.
    """
    by_place: dict[Key, dict[int, dict[str, Value]]] = defaultdict(dict)
    for value in values:
        if value.stage in (AS_FOUND, AS_LEFT):
            key = (value.station_id, value.seat, value.method)
            by_place[key].setdefault(value.visit_id, {})[value.stage] = value
    return {key: _runs(list(visits.values()), strokes, jolts, day) for key, visits in by_place.items()}


def _runs(visits: Sequence[dict[str, Value]], strokes: Strokes, jolts: Jolts, day: DayOf) -> list[Run]:
    runs: list[Run] = []
    for stages in visits:
        first = stages.get(AS_FOUND) or stages[AS_LEFT]
        before = runs[-1].last if runs else None
        million = strokes.between(day(before.visit_at), day(first.visit_at)) if before else 0.0
        tied = (
            before is not None
            and AS_FOUND in stages
            and before.series == first.series
            and million > 0.0
            and not jolts.worked(before.visit_at, first.visit_at)
        )
        if not tied or before is None:
            runs.append(Run(first))
            million, hits = 0.0, 0
        else:
            hits = jolts.hit(before.visit_at, first.visit_at)
        runs[-1].visits.append(_visited(stages, first, million, hits))
        runs[-1].million += million
        runs[-1].last = stages.get(AS_LEFT, first)
    return runs


def _visited(stages: dict[str, Value], first: Value, million: float, hits: int) -> Visited:
    """One visit; what was carried over as left is what was found, and no reading of its own."""
    found, left = stages.get(AS_FOUND), stages.get(AS_LEFT)
    again = left is not None and not left.carried and (found is None or left.series == found.series)
    return Visited(
        when=first.visit_at.timestamp() / SECONDS_A_DAY,
        strokes=million,
        jolts=hits,
        found=(found.x_um, found.y_um) if found else None,
        left=(left.x_um, left.y_um) if left is not None and again else None,
        moved=again,
        u_um=first.expanded_um / 2.0,
    )
