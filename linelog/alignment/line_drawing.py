"""A common line drawn along the ram, before and after, across and up: plain numbers for an SVG that prints."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from linelog.alignment.common_line import After, Alternative
from linelog.alignment.drawing import STEPS_UM
from linelog.calc.units import Unit, from_um
from linelog.web.units import show_um

WIDTH, LEFT, RIGHT = 1000.0, 74.0, 40.0
HALF = 80.0  # pixels above and below the old ram line
TOP = 26.0
NAME_PX = 24.0  # names of places stand no nearer than this, turned upright
Place = Callable[[float], float]  # from mm along the ram, or um off it, to pixels
AXES = ("Across, + right seen from the crank", "Up, + up")  # by axis: 0 is x, 1 is y


@dataclass(frozen=True, slots=True)
class Spot:
    """One place in a panel: where it was, where it will be, and its limit about the new line, y down."""

    x: float
    before: float
    after: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Panel:
    """One direction: the old line is level at `zero`, the new one runs from `ends[0]` to `ends[1]`."""

    title: str
    top: float
    zero: float
    ends: tuple[tuple[float, float], tuple[float, float]]
    bushings: tuple[tuple[float, float], ...]
    spots: tuple[Spot, ...]
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class LineDrawing:
    """The whole drawing."""

    height: float
    panels: tuple[Panel, ...]
    names: tuple[tuple[float, str], ...]
    names_y: float
    label: str


@dataclass(frozen=True, slots=True)
class Frame:
    """What both panels share."""

    x: Place
    scale: float
    span: tuple[float, float]
    unit: Unit


def draw_line(made: Alternative, unit: Unit) -> LineDrawing:
    """Lay an alternative out; both panels share one scale, so that a bar is as long across as up."""
    z = [place.z_mm for place in made.places] + [at for at, _ in made.bushings]
    low, high = min(z), max(z)
    reach = max(_reach(place, axis) for place in made.places for axis in (0, 1))
    reach = max(reach, *(abs(far) for _, move in made.bushings for far in move))
    across = (WIDTH - LEFT - RIGHT) / max(high - low, 1.0)
    scale = HALF / max(reach, 1.0)

    def x(z_mm: float) -> float:
        return round(LEFT + (z_mm - low) * across, 1)

    frame = Frame(x, scale, (low, high), unit)
    panels = tuple(_panel(made, axis, frame) for axis in (0, 1))
    names_y = panels[-1].zero + HALF + 12.0
    moves = (f"{one.station.name} from {_said(one.before, unit)} to {_said(one.after, unit)}" for one in made.places)
    label = f"Offsets in {unit.word}, seen from the crank: {'; '.join(moves)}."
    return LineDrawing(names_y + 130.0, panels, _names(made.places, x), names_y, label)


def _said(pair: tuple[float, float], unit: Unit) -> str:
    across, up = (show_um(um, unit, signed=True) for um in pair)
    return f"{across} across {up} up"


def _reach(place: After, axis: int) -> float:
    return max(abs(place.before[axis]), abs(place.line[axis]) + max(place.limit_um, abs(place.after[axis])))


def _panel(made: Alternative, axis: int, frame: Frame) -> Panel:
    top = TOP + axis * (2 * HALF + 3 * TOP)
    zero, scale, x = top + HALF, frame.scale, frame.x

    def y(um: float) -> float:
        return round(zero - um * scale, 1)

    (rear_z, rear), (front_z, front) = made.bushings
    turn = (front[axis] - rear[axis]) / (front_z - rear_z)
    ends = tuple((x(z), y(rear[axis] + turn * (z - rear_z))) for z in frame.span)
    spots = tuple(
        Spot(
            x(place.z_mm),
            y(place.before[axis]),
            y(place.line[axis] + place.after[axis]),
            y(place.line[axis] - place.limit_um),
            y(place.line[axis] + place.limit_um),
        )
        for place in made.places
    )
    bushings = tuple((x(z), y(move[axis])) for z, move in made.bushings)
    return Panel(AXES[axis], top, zero, (ends[0], ends[1]), bushings, spots, _ticks(scale, y, frame.unit))


def _ticks(scale: float, y: Place, unit: Unit) -> tuple[tuple[float, str], ...]:
    step = next((s for s in STEPS_UM[unit] if s * scale >= 26.0), STEPS_UM[unit][-1])
    count = int(HALF / (step * scale))
    marks = [n * step for n in range(-count, count + 1) if n]
    return tuple((y(um), f"{from_um(um, unit):+g}".replace("-", "−")) for um in marks)


def _names(places: Sequence[After], x: Place) -> tuple[tuple[float, str], ...]:
    """Name every place under its own spot, moved on where names would overlap."""
    named = []
    last = -NAME_PX
    for place in sorted(places, key=lambda one: one.z_mm):
        at = max(x(place.z_mm), last + NAME_PX)
        last = at
        named.append((round(at, 1), f"{place.station.name}{f', {place.seat}' if place.seat else ''}"))
    return tuple(named)
