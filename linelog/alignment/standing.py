"""Measured values as they stand: an amendment replaces a value or sets it aside, and both stay visible."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace

from linelog.calc.readings import clock_deg
from linelog.calc.verdict import Judged, Verdict, judge

WORST_FIRST = (Verdict.OUT.value, Verdict.NOT_PROVEN.value, Verdict.IN.value)
AS_FOUND, AS_LEFT = "as_found", "as_left"
STATIC, RUNNING = "static", "running"

Place = tuple[int, int, str, str]  # visit, station, stage, seat


@dataclass(frozen=True, slots=True)
class Amended:
    """Why a value was amended, and the offset (across, up) that had been measured, um."""

    reason: str
    was_x_um: float
    was_y_um: float


@dataclass(frozen=True, slots=True)
class Value:
    """One result of a signed visit: offsets in um, tilts in mm/m; `expanded` is U of the size."""

    visit_id: int
    visit_at: dt.datetime
    station_id: int
    seat: str
    stage: str
    method: str
    x_um: float
    y_um: float
    radial_um: float
    expanded_um: float
    limit_um: float
    verdict: str
    severity: float
    carried: bool
    tilt_x_mm_per_m: float | None = None
    tilt_y_mm_per_m: float | None = None
    tilt_expanded_mm_per_m: float | None = None
    tilt_limit_mm_per_m: float | None = None
    carrier: str = "ram"
    u_x_um: float = 0.0
    u_y_um: float = 0.0
    is_partial: bool = False
    amended: Amended | None = None

    @property
    def series(self) -> str:
        """Which series it belongs to: running, static, or bar (static, from the bar); two of them are never one."""
        return "bar" if self.carrier == "bar" and self.method == STATIC else self.method

    @property
    def direction_deg(self) -> float:
        """The clock angle it points to, from 12 clockwise."""
        return clock_deg(self.x_um, self.y_um)


@dataclass(frozen=True, slots=True)
class Word:
    """The last word on a value: set aside, or what it should read (um)."""

    reason: str
    set_aside: bool
    x_um: float | None
    y_um: float | None
    evaluated: Evaluated | None = None


@dataclass(frozen=True, slots=True)
class Evaluated:
    """What a value came to with amended readings, judged by the limits of its day; um and mm/m."""

    x_um: float
    y_um: float
    radial_um: float
    expanded_um: float
    verdict: str
    severity: float
    tilt_x_mm_per_m: float | None
    tilt_y_mm_per_m: float | None
    tilt_expanded_mm_per_m: float | None
    u_x_um: float | None
    u_y_um: float | None


@dataclass(frozen=True, slots=True)
class Standing:
    """The values that stand, in the order given, and how many were set aside."""

    values: tuple[Value, ...]
    set_aside: int


def stand(values: Iterable[Value], words: dict[Place, Word]) -> Standing:
    """Apply the last word on each place.

    An amendment names no method: it speaks of the static value where the visit has one there, else of the running
    one. An as-left value that was carried over from as found ('not touched') follows what is said of as found.
    """
    given = tuple(values)
    static = {_place(value) for value in given if value.method == STATIC}
    kept, set_aside = [], 0
    for value in given:
        word = None if value.method == RUNNING and _place(value) in static else _word(value, words)
        if word is not None and word.set_aside:
            set_aside += 1
        else:
            kept.append(value if word is None else _amend(value, word))
    return Standing(tuple(kept), set_aside)


def _place(value: Value) -> Place:
    return (value.visit_id, value.station_id, value.stage, value.seat)


def _word(value: Value, words: dict[Place, Word]) -> Word | None:
    own = words.get(_place(value))
    if own is None and value.carried:
        return words.get((value.visit_id, value.station_id, AS_FOUND, value.seat))
    return own


def _amend(value: Value, word: Word) -> Value:
    amended = Amended(word.reason, value.x_um, value.y_um)
    if word.evaluated is not None:
        facts = asdict(word.evaluated)
        known = {name: facts[name] for name in facts if not name.startswith("u_") or facts[name] is not None}
        return replace(value, amended=amended, **known)
    if word.x_um is None or word.y_um is None:
        return value
    radial = math.hypot(word.x_um, word.y_um)
    judged = [judge(radial, value.expanded_um, value.limit_um), *_judge_tilt(value)]
    return replace(
        value,
        x_um=word.x_um,
        y_um=word.y_um,
        radial_um=radial,
        verdict=min((one.verdict.value for one in judged), key=WORST_FIRST.index),
        severity=max(one.severity for one in judged),
        amended=amended,
    )


def _judge_tilt(value: Value) -> list[Judged]:
    """Return the verdict on the tilt, which an amendment leaves as it is, where one was measured."""
    x, y, expanded = value.tilt_x_mm_per_m, value.tilt_y_mm_per_m, value.tilt_expanded_mm_per_m
    if x is None or y is None or expanded is None or value.tilt_limit_mm_per_m is None:
        return []
    return [judge(math.hypot(x, y), expanded, value.tilt_limit_mm_per_m)]


def worst_key(value: Value) -> tuple[int, float]:
    """Sort key that puts the worst value first: by verdict, then by its share of the limit."""
    return (WORST_FIRST.index(value.verdict), -value.severity)


def as_it_is_now(values: Iterable[Value]) -> list[Value]:
    """Keep one value a station, seat and method: as left where there is one, else as found."""
    now: dict[tuple[int, str, str], Value] = {}
    for value in values:
        place = (value.station_id, value.seat, value.method)
        if place not in now or value.stage == AS_LEFT:
            now[place] = value
    return list(now.values())
