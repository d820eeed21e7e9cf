"""Walls and tool pack offsets that belong together, and the plant's own ratio of one to the other.

A wall sample belongs to the last signed result before it, if nothing has moved the tool pack or the ram line since.
Static and running results are never mixed. Cans that belong to one result share its offset, so that they are not
independent: their mean is one pair.
"""

from __future__ import annotations

import datetime as dt
import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from linelog.calc.errors import CalcError
from linelog.calc.readings import clock_deg
from linelog.calc.wall import FEWEST_PAIRS, Offcentre, Pair, Ratio, WallAgainstOffset, against_offset, learn_ratio

STATIC, RUNNING = "static", "running"
METHODS = (STATIC, RUNNING)
SHOWN_DAYS, LEARN_DAYS = 730, 365
EARLIER_DAYS = 400  # a result may be so much older than the first wall that is held against it


@dataclass(frozen=True, slots=True)
class Since:
    """From when on walls are shown, walls are learned from, and what happened to the tool pack is looked at."""

    shown: dt.datetime
    learned: dt.datetime
    measured: dt.datetime

    @classmethod
    def at(cls, now: dt.datetime) -> Since:
        """Return them for a page of now."""
        shown, learned = now - dt.timedelta(days=SHOWN_DAYS), now - dt.timedelta(days=LEARN_DAYS)
        return cls(shown, learned, shown - dt.timedelta(days=EARLIER_DAYS))


@dataclass(frozen=True, slots=True)
class WallPoint:
    """The wall at one height of one can; (x, y) points to the thick side; um, mm and degrees."""

    sample_id: int
    machine_id: int
    taken_at: dt.datetime
    can: str
    tools: str | None
    height_mm: float
    mean_um: float
    x_um: float
    y_um: float
    size_um: float
    expanded_um: float
    thin_deg: float | None
    thin_within_deg: float | None
    judged_um: float
    state: str

    @property
    def wall(self) -> Offcentre:
        """The eccentricity as the sums take it."""
        return Offcentre(self.x_um, self.y_um, self.expanded_um)


@dataclass(frozen=True, slots=True)
class PackOffset:
    """What a signed visit left the tool pack at, um; `at` is when it was signed."""

    visit_id: int
    machine_id: int
    method: str
    at: dt.datetime
    x_um: float
    y_um: float
    expanded_um: float

    @property
    def size_um(self) -> float:
        """Size of the offset, which stiff tools would show in the wall in full."""
        return math.hypot(self.x_um, self.y_um)

    @property
    def direction_deg(self) -> float:
        """The clock angle it points to."""
        return clock_deg(self.x_um, self.y_um)

    @property
    def offset(self) -> Offcentre:
        """The offset as the sums take it."""
        return Offcentre(self.x_um, self.y_um, self.expanded_um)


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Something that may have moved the tool pack or the ram line."""

    machine_id: int
    at: dt.datetime
    what: str


@dataclass(frozen=True, slots=True)
class Match:
    """The offset a wall belongs to; where there is none, what came after the last result (`upset`), if anything."""

    offset: PackOffset | None
    upset: Disturbance | None = None


@dataclass(slots=True)
class Timeline:
    """Offsets of a machine by method, and its disturbances, each in the order of time."""

    offsets: dict[str, list[PackOffset]] = field(default_factory=lambda: {method: [] for method in METHODS})
    upsets: list[Disturbance] = field(default_factory=list)

    def match(self, at: dt.datetime, method: str) -> Match:
        """Return what was known of the tool pack at a time."""
        offsets = self.offsets[method]
        place = bisect_right(offsets, at, key=lambda offset: offset.at)
        if place == 0:
            return Match(None)
        last = offsets[place - 1]
        after = bisect_right(self.upsets, last.at, key=lambda upset: upset.at)
        if after < len(self.upsets) and self.upsets[after].at <= at:
            return Match(None, self.upsets[after])
        return Match(last)


def timelines(offsets: Iterable[PackOffset], upsets: Iterable[Disturbance]) -> dict[int, Timeline]:
    """Sort both by machine; what comes in the order of time stays in it."""
    made: dict[int, Timeline] = defaultdict(Timeline)
    for offset in offsets:
        made[offset.machine_id].offsets[offset.method].append(offset)
    for upset in upsets:
        made[upset.machine_id].upsets.append(upset)
    return made


class MeanPair(NamedTuple):
    """The mean wall of the cans that belong to one result of a machine, beside its offset, um."""

    machine_id: int
    offset_x_um: float
    offset_y_um: float
    x_um: float
    y_um: float
    cans: int


@dataclass(frozen=True, slots=True)
class Learned:
    """The ratio learned from the plant's pairs of one method; `ratio` is None with too few of them."""

    method: str
    pairs: tuple[MeanPair, ...]
    ratio: Ratio | None

    @property
    def missing(self) -> int:
        """How many pairs more are needed before anything is learned."""
        return max(0, FEWEST_PAIRS - len(self.pairs))


def mean_pairs(points: Iterable[WallPoint], lines: Mapping[int, Timeline], method: str) -> list[MeanPair]:
    """Pair walls, which come in the order of time, with the offsets of one method."""
    by_result: dict[int, list[WallPoint]] = defaultdict(list)
    offsets: dict[int, PackOffset] = {}
    for point in points:
        found = lines[point.machine_id].match(point.taken_at, method).offset if point.machine_id in lines else None
        if found is not None:
            by_result[found.visit_id].append(point)
            offsets[found.visit_id] = found
    return [_mean(offsets[visit], walls) for visit, walls in by_result.items()]


def _mean(offset: PackOffset, walls: Sequence[WallPoint]) -> MeanPair:
    number = len(walls)
    x, y = sum(wall.x_um for wall in walls) / number, sum(wall.y_um for wall in walls) / number
    return MeanPair(offset.machine_id, offset.x_um, offset.y_um, x, y, number)


def learn(pairs: Iterable[MeanPair], method: str) -> Learned:
    """Learn the ratio of one method; in the same sums to the last digit, in whatever order the machines come."""
    ordered = tuple(sorted(pairs, key=lambda one: one.machine_id))
    measured = [Pair(one.x_um, one.y_um, one.offset_x_um, one.offset_y_um) for one in ordered]
    try:
        ratio = learn_ratio(measured, hanging=method == STATIC)
    except CalcError:
        ratio = None  # every offset is zero, or they are all alike: nothing to learn from
    return Learned(method, ordered, ratio)


def compare(point: WallPoint, offset: PackOffset, learned: Learned) -> WallAgainstOffset:
    """Hold one wall against the offset it belongs to."""
    return against_offset(point.wall, offset.offset, learned.ratio)
