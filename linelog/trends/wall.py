"""The page of tools and wall of one machine: loaded once, from which figures, sentences and numbers are made."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from linelog.plant.ironing import SetSchedule, schedule_of
from linelog.plant.models import Fitting, Machine, Plant
from linelog.production.days import zone
from linelog.trends.queries import wall as queries
from linelog.trends.wall_learned import learned
from linelog.trends.wall_pairs import Learned, Match, Since, Timeline, WallPoint, timelines

MOST_DRAWN = 600  # more marks than this on a tablet hide one another: the newest are drawn


@dataclass(frozen=True, slots=True)
class WallPage:
    """Everything of the page; `points` in the order of time, every height of a can a point of its own."""

    machine: Machine
    now: dt.datetime
    fitting: Fitting | None
    schedule: SetSchedule | None
    points: tuple[WallPoint, ...]
    line: Timeline
    learned: dict[str, Learned]

    @property
    def plant(self) -> Plant:
        """The machine's plant, whose levels hold."""
        return self.machine.line.plant

    @property
    def zone(self) -> dt.tzinfo:
        """The plant's time zone."""
        return zone(self.plant)

    @property
    def drawn(self) -> tuple[WallPoint, ...]:
        """The points of the charts."""
        return self.points[-MOST_DRAWN:]

    @property
    def lowest(self) -> list[WallPoint]:
        """The lowest height of each can that is drawn."""
        first: dict[int, WallPoint] = {}
        for point in self.drawn:
            first.setdefault(point.sample_id, point)
        return list(first.values())

    @property
    def latest(self) -> WallPoint | None:
        """The lowest height of the last can."""
        lowest = self.lowest
        return lowest[-1] if lowest else None

    @property
    def latest_heights(self) -> list[WallPoint]:
        """Every height of the last can."""
        last = self.latest
        return [point for point in self.drawn if last and point.sample_id == last.sample_id]

    def match(self, point: WallPoint, method: str) -> Match:
        """Return what was known of the tool pack when a can was made."""
        return self.line.match(point.taken_at, method)


def load(machine: Machine, now: dt.datetime) -> WallPage:
    """Read the page in a fixed number of queries, once the ratio is kept that the plant has learned."""
    since, own = Since.at(now), [machine.pk]
    lines = timelines(queries.pack_offsets(own, since.measured), queries.disturbances(own, since.measured))
    fitting = queries.mounted_now(machine)
    schedule = None
    if fitting is not None:
        parts = list(fitting.tooling_set.parts.all())
        schedule = schedule_of(fitting.tooling_set, machine.line.plant, parts)
    return WallPage(
        machine=machine,
        now=now,
        fitting=fitting,
        schedule=schedule,
        points=tuple(queries.machine_walls(machine, since.shown)),
        line=lines.get(machine.pk, Timeline()),
        learned=learned(machine.line.plant, now),
    )
