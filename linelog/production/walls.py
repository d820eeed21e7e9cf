"""From the thickness round a can to what it means: calls `calc.wall` with the plant's levels, stores nothing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from linelog.calc.errors import CalcError
from linelog.calc.readings import Sweep, View, clock_position
from linelog.calc.uncertainty import Planar
from linelog.calc.wall import Eccentricity, WallGauge, WallLevels, wall_eccentricity, wall_tilt
from linelog.plant.models import Machine, Plant

ALGORITHM = "wall 1"
USUAL_DOF = 30.0  # the plant's usual scatter counts as that of thirty repeats; common practice, no source
ODD_SHARE = (
    0.25  # a reading so far from the middle one, as a share of it, was misread more often than not; from memory
)
THINNEST_UM, THICKEST_UM = 10.0, 2000.0  # the walls of cans lie far within: beyond it the unit is another
Reading = tuple[float, float, str]  # clock angle as read, um, as typed


@dataclass(frozen=True, slots=True)
class Ring:
    """The readings at one height above the dome, mm."""

    height_mm: float
    readings: tuple[Reading, ...]

    @property
    def sweep(self) -> Sweep:
        """Return the readings as the sums take them. Raises CalcError for what is no turn round the can."""
        return Sweep(tuple(one[0] for one in self.readings), tuple(one[1] for one in self.readings))

    def odd(self) -> list[tuple[float, float]]:
        """Return the angle and the thickness of readings far from the middle one."""
        values = sorted(value for _, value, _ in self.readings)
        middle = values[len(values) // 2]
        return [(angle, value) for angle, value, _ in self.readings if abs(value - middle) > ODD_SHARE * middle]


@dataclass(frozen=True, slots=True)
class Can:
    """A sample as it is typed or read from a file; lengths in um, heights in mm."""

    machine: Machine
    taken_at: dt.datetime
    view: str
    step_um: float
    unit: str
    rings: tuple[Ring, ...]
    can: str = ""
    note: str = ""

    def content(self) -> list[Any]:
        """Return what makes two sendings the same."""
        rings = [[ring.height_mm, ring.readings] for ring in self.rings]
        return [self.machine.pk, self.taken_at, self.can, self.view, self.step_um, self.unit, self.note, rings]


@dataclass(frozen=True, slots=True)
class Computed:
    """What a can came to: a wall for each of its heights, the lowest first, and how it differs between two."""

    walls: tuple[Eccentricity, ...]
    tilt: Planar | None


def levels_of(plant: Plant) -> WallLevels:
    """Return the plant's levels of variation round a can."""
    return WallLevels(plant.wall_good_um, plant.wall_look_um, plant.wall_act_um)


def compute(can: Can, plant: Plant) -> Computed:
    """Work a can out. Raises CalcError with a sentence where its readings make no wall."""
    gauge, levels = WallGauge(can.step_um, plant.wall_scatter_um, USUAL_DOF), levels_of(plant)
    view = View(can.view)
    walls = tuple(wall_eccentricity([ring.sweep], gauge, levels, view=view) for ring in can.rings)
    tilt = None
    if len(walls) > 1:
        tilt = wall_tilt(walls[0], can.rings[0].height_mm, walls[-1], can.rings[-1].height_mm)
    return Computed(walls, tilt)


def why_not(can: Can, plant: Plant) -> str:
    """Say in a sentence why a can makes no sample; empty where it does."""
    try:
        compute(can, plant)
    except CalcError as error:
        return error.message
    return ""


def tilt_values(tilt: Planar | None) -> dict[str, float | None]:
    """Return the columns of a sample that say how the wall differs between its heights."""
    if tilt is None:
        return {"tilt_x_mm_per_m": None, "tilt_y_mm_per_m": None, "tilt_expanded_mm_per_m": None}
    return {
        "tilt_x_mm_per_m": tilt.x,
        "tilt_y_mm_per_m": tilt.y,
        "tilt_expanded_mm_per_m": tilt.radial.U,
    }


def ring_values(wall: Eccentricity, levels: WallLevels) -> dict[str, Any]:
    """Return the columns of a ring."""
    return {
        "mean_um": wall.mean_um,
        "x_um": wall.thick.x,
        "y_um": wall.thick.y,
        "size_um": wall.thick.size,
        "expanded_um": wall.thick.radial.U,
        "thin_deg": wall.thin_deg,
        "thin_within_deg": wall.thin_within_deg,
        "range_um": wall.range_um,
        "judged_um": wall.judged_um,
        "state": wall.state.value,
        "good_um": levels.good_um,
        "look_um": levels.look_um,
        "act_um": levels.act_um,
        "algorithm": ALGORITHM,
    }


def odd_words(rings: Sequence[Ring]) -> list[str]:
    """Name readings far from the others, a sentence each."""
    return [
        f"The wall at {clock_position(angle)} o'clock, {ring.height_mm:g} mm above the dome, is far from the others."
        for ring in rings
        for angle, _ in ring.odd()
    ]
