"""The stations of a machine drawn to scale along the ram, as plain numbers for an SVG."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from linelog.plant.models import Machine, Station

WIDTH, EDGE = 1000.0, 30.0
ROW, LETTER, LONGEST = 24.0, 9.5, 22  # height of a row of names, width of a letter, letters of a name shown
TOP = 40.0
STEPS_MM = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
FEWEST_PX = 70.0  # between two figures of the scale
MOST_TICKS = 40


@dataclass(frozen=True, slots=True)
class Mark:
    """A station: its seat (or two), and its name to the right of the line that leads down to it."""

    x: float
    rear_x: float | None
    text_y: float
    name: str

    @property
    def seat_x(self) -> float:
        """Left edge of the bar that stands for the seat."""
        return round(self.x - 3.0, 1)

    @property
    def text_x(self) -> float:
        """Where the name begins."""
        return round(self.x + 6.0, 1)


@dataclass(frozen=True, slots=True)
class Along:
    """The whole drawing; x grows from the crank to the domer."""

    height: float
    axis_y: float
    zero_x: float
    ram: tuple[float, float] | None
    marks: tuple[Mark, ...]
    ticks: tuple[tuple[float, str], ...]
    label: str


def along_ram(machine: Machine, stations: Sequence[Station]) -> Along | None:
    """Lay out the stations; None where there is none."""
    if not stations:
        return None
    ends = [z for s in stations for z in (s.z_mm, s.rear_z_mm) if z is not None]
    span, over = machine.bushing_span_mm, machine.overhang_mm
    low, high = min([*ends, 0.0, -(span or 0.0)]), max([*ends, 0.0, over or 0.0])
    last = max(stations, key=lambda s: s.z_mm)  # its name needs room on the right
    scale = (WIDTH - 2 * EDGE - _wide(last)) / max(high - low, 1.0)

    def x(z_mm: float) -> float:
        return round(EDGE + (z_mm - low) * scale, 1)

    marks, rows = _marks(stations, x)
    words = ", ".join(f"{s.name} at {s.z_mm:g} mm" for s in stations)
    return Along(
        height=TOP + 40 + ROW * rows,
        axis_y=TOP,
        zero_x=x(0.0),
        ram=(x(-span), x(over)) if span and over else None,
        marks=marks,
        ticks=_ticks(low, high, scale, x),
        label=f"Stations along the ram: {words}.",
    )


def _wide(station: Station) -> float:
    return min(len(station.name), LONGEST) * LETTER


def _marks(stations: Sequence[Station], x: Callable[[float], float]) -> tuple[tuple[Mark, ...], int]:
    """From the domer back: a name goes below every name whose line it would cross."""
    placed: list[tuple[float, int]] = []
    marks = []
    for station in sorted(stations, key=lambda s: s.z_mm, reverse=True):
        at = x(station.z_mm)
        row = max((below + 1 for other, below in placed if other < at + _wide(station) + 2 * LETTER), default=0)
        placed.append((at, row))
        rear = x(station.rear_z_mm) if station.rear_z_mm is not None else None
        name = station.name if len(station.name) <= LONGEST else f"{station.name[: LONGEST - 1]}…"
        marks.append(Mark(at, rear, TOP + 40 + ROW * row, name))
    return tuple(marks), 1 + max(row for _, row in placed)


def _ticks(low: float, high: float, scale: float, x: Callable[[float], float]) -> tuple[tuple[float, str], ...]:
    step = next((s for s in STEPS_MM if s * scale >= FEWEST_PX), STEPS_MM[-1])
    places = range(int(low // step), int(high // step) + 1)[:MOST_TICKS]
    return tuple((x(n * step), f"{n * step}".replace("-", "−")) for n in places if low <= n * step <= high)
