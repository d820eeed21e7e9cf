"""What a person reads round the clock: one sweep, the end it was seen from, and how the two are brought upright."""

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from linelog.calc.errors import CalcError
from linelog.calc.units import ABSURD_UM

FloatArray = NDArray[np.float64]

FEWEST_POSITIONS = 3
_SAME_PLACE_DEG = 1.0


class View(Enum):
    """The end the clock was read from. Seen from the domer, 3 and 9 change places."""

    CRANK = "crank"
    DOMER = "domer"


@dataclass(frozen=True, slots=True)
class Sweep:
    """One turn of the indicator, as typed.

    angles_deg   clock angles 0..360 from 12 o'clock clockwise as the person saw them, in the order they were read
    readings_um  dial readings in micrometres, one for each angle; where the dial was zeroed does not matter
    return_um    the first position read again at the end, or None where it was not

    Raises `CalcError` for fewer than three positions, two readings at one angle, a missing reading, an angle off
    the clock, and a reading that is not finite or above 50 mm.
    """

    angles_deg: tuple[float, ...]
    readings_um: tuple[float, ...]
    return_um: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "angles_deg", tuple(float(angle) for angle in self.angles_deg))
        object.__setattr__(self, "readings_um", tuple(float(reading) for reading in self.readings_um))
        _check_angles(self.angles_deg)
        if len(self.readings_um) != len(self.angles_deg):
            raise CalcError(
                f"There are {len(self.angles_deg)} positions and {len(self.readings_um)} readings: give one each.",
                field="readings_um",
            )
        for angle, reading in zip(self.angles_deg, self.readings_um, strict=True):
            _check_reading(reading, f"The reading at {clock_position(angle)} o'clock", "readings_um")
        if self.return_um is not None:
            object.__setattr__(self, "return_um", float(self.return_um))
            _check_reading(self.return_um, "The return reading", "return_um")


@dataclass(frozen=True, slots=True)
class Upright:
    """A sweep turned to the frame: clock as seen from the crank, plunger pressed in positive."""

    angles_deg: FloatArray
    readings_um: FloatArray
    return_difference_um: float | None


def upright(sweep: Sweep, view: View, *, plunger_reversed: bool) -> Upright:
    """Turn a sweep as typed into the frame of the machine."""
    mirror = -1.0 if view is View.DOMER else 1.0
    sign = -1.0 if plunger_reversed else 1.0
    back = None if sweep.return_um is None else sign * (sweep.return_um - sweep.readings_um[0])
    return Upright(
        angles_deg=np.mod(mirror * np.array(sweep.angles_deg), 360.0),
        readings_um=sign * np.array(sweep.readings_um),
        return_difference_um=back,
    )


def clock_deg(x: float, y: float) -> float:
    """Return the clock angle to which (x right, y up) points, degrees from 12 clockwise; 0 where both are nought."""
    return math.degrees(math.atan2(x, y)) % 360.0


def clock_position(angle_deg: float) -> str:
    """Name a clock angle by the hour hand, to the nearest half hour: 0 is '12', 135 is '4:30'."""
    halves = round(angle_deg / 15.0) % 24
    return f"{halves // 2 or 12}{':30' if halves % 2 else ''}"


def _check_angles(angles: tuple[float, ...]) -> None:
    if len(angles) < FEWEST_POSITIONS:
        raise CalcError(f"A sweep needs at least 3 positions and there are {len(angles)}.", field="angles_deg")
    if not all(math.isfinite(angle) and 0.0 <= angle <= 360.0 for angle in angles):
        raise CalcError("Clock angles run from 0 to 360 degrees, with 0 at 12 o'clock.", field="angles_deg")
    ordered = sorted(angle % 360.0 for angle in angles)
    for before, after in zip(ordered, [*ordered[1:], ordered[0] + 360.0], strict=True):
        if after - before < _SAME_PLACE_DEG:
            raise CalcError(
                f"There are two readings at {clock_position(before)} o'clock ({before:g} degrees): keep one of them.",
                field="angles_deg",
            )


def _check_reading(reading: float, what: str, field: str) -> None:
    if not math.isfinite(reading):
        raise CalcError(f"{what} is not a number.", field=field)
    if abs(reading) > ABSURD_UM:
        raise CalcError(f"{what} is more than 50 mm: check the number and its unit.", field=field)
