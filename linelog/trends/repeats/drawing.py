"""The clock face of a repeat problem as plain numbers for an SVG: where it was found, against its limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from linelog.calc import frame
from linelog.calc.readings import View, clock_deg, clock_position
from linelog.trends.models.repeats import RepeatProblem
from linelog.trends.repeats.queries import Look, Seen
from linelog.trends.repeats.said import view_of

ROOM = 84.0  # of 100, for the largest of limit and offset


@dataclass(frozen=True, slots=True)
class Dot:
    """One as-found value: x right, y DOWN; the newest is number 1."""

    x: float
    y: float
    number: int
    out: bool
    recent: bool


@dataclass(frozen=True, slots=True)
class Face:
    """SVG coordinates, viewBox -100 .. 100, radius as a share of the limit; `mean` is the end of its line."""

    limit: float
    dots: tuple[Dot, ...]
    mean: tuple[float, float] | None
    label: str
    view: str


def face(look: Look) -> Face | None:
    """Lay out the as-found values of a station, or of all stations where all go together; None without any."""
    values = [seen for seen in look.seen if math.hypot(*seen.found.off) > 0.0]
    if not values:
        return None
    recent = _recent(look, values)
    if look.problem.kind == RepeatProblem.Kind.MACHINE:  # all stations of all visits would hide one another
        values = [seen for seen in values if seen.found.visit.pk in recent]
    shares = [math.hypot(*seen.found.off) / seen.found.value.limit_um for seen in values]
    scale = ROOM / max(1.0, *shares)
    view = view_of(look.problem)
    dots = [_dot(seen, share * scale, recent, view) for seen, share in zip(values, shares, strict=True)]
    mean = None if look.problem.mean_deg is None else frame.turn_deg(look.problem.mean_deg, view)
    end = None if mean is None else (round(92.0 * _across(mean), 1), round(-92.0 * _up(mean), 1))
    toward = "" if mean is None else f", mean direction {clock_position(mean)} o'clock"
    outside = sum(seen.found.is_out for seen in values)
    label = f"{len(values)} as-found values {frame.view_words(view)}, {outside} of them out{toward}."
    return Face(round(scale, 1), tuple(dots), end, label, frame.view_words(view))


def _recent(look: Look, values: list[Seen]) -> dict[int, int]:
    """Give a number to each visit that the rule looks at, the newest first."""
    visits = dict.fromkeys(
        seen.found.visit.pk for seen in sorted(values, key=lambda seen: seen.found.visit.at, reverse=True)
    )
    return {pk: number for number, pk in enumerate(list(visits)[: look.rule.last], start=1)}


def _dot(seen: Seen, radius: float, recent: dict[int, int], view: View) -> Dot:
    toward = frame.turn_deg(clock_deg(*seen.found.off), view)
    number = recent.get(seen.found.visit.pk, 0)
    x, y = round(radius * _across(toward), 1), round(-radius * _up(toward), 1)
    return Dot(x, y, number, seen.found.is_out, number > 0)


def _across(toward_deg: float) -> float:
    return math.sin(math.radians(toward_deg))


def _up(toward_deg: float) -> float:
    return math.cos(math.radians(toward_deg))
