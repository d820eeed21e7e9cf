"""Clock directions of offsets: their mean, how closely they agree, and whether chance would do as well.

Angles are clock degrees: 0 at 12 o'clock, 90 at 3 o'clock, seen along the forward stroke.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, numbers, same_length
from linelog.calc.errors import CalcError
from linelog.calc.readings import clock_deg

#: With fewer directions than this, agreement proves nothing.
FEWEST = 3
_NO_MEAN = 1e-9  # resultant length that is zero but for rounding


def directions_deg(dx_um: ArrayLike, dy_um: ArrayLike) -> FloatArray:
    """Clock angle of each offset, shape (n,), in 0..360; dx to 3 o'clock and dy to 12 o'clock, both of shape (n,).

    An offset of exactly zero points nowhere and raises `CalcError`.
    """
    x, y = numbers(dx_um, "Offsets across", "dx_um"), numbers(dy_um, "Offsets up", "dy_um")
    same_length([x, y], "dy_um")
    if ((x == 0.0) & (y == 0.0)).any():
        raise CalcError("An offset of zero has no direction: leave it out.", field="dx_um")
    return np.asarray(np.mod(np.degrees(np.arctan2(x, y)), 360.0))


@dataclass(frozen=True, slots=True)
class Directions:
    """How n directions agree.

    mean_deg       mean direction in 0..360; None where they cancel one another
    resultant      mean resultant length: 1 all the same, 0 cancelling
    deviation_deg  angular deviation, sqrt(2*(1 - resultant)) in degrees: 0 to 81
    p              Rayleigh: chance of a resultant this long if every direction were equally likely; None below three
    """

    n: int
    mean_deg: float | None
    resultant: float
    deviation_deg: float
    p: float | None


def agreement(angles_deg: ArrayLike) -> Directions:
    """Mean direction, resultant length and Rayleigh test of n >= 1 clock angles.

    p is the series in 1/n to its second order: within 0.04 of the true chance at n = 3, 0.015 at 4, 0.005 from 5 on.
    Source: Mardia & Jupp, Directional Statistics (2000), 6.3.5; Zar, Biostatistical Analysis, chapters 26 and 27.
    """
    angles = np.radians(numbers(angles_deg, "Directions", "angles_deg"))
    with np.errstate(invalid="ignore"):  # the mean of directions that cancel to the last digit; it is left out below
        found = scipy.stats.directional_stats(np.column_stack([np.sin(angles), np.cos(angles)]))
    resultant = min(1.0, float(found.mean_resultant_length))
    across, up = found.mean_direction.tolist()
    return Directions(
        n=len(angles),
        mean_deg=clock_deg(across, up) if resultant > _NO_MEAN else None,
        resultant=resultant,
        deviation_deg=math.degrees(math.sqrt(2.0 * (1.0 - resultant))),
        p=_rayleigh(len(angles), resultant) if len(angles) >= FEWEST else None,
    )


def apart_deg(first_deg: float, second_deg: float) -> float:
    """Angle between two clock directions, 0 to 180."""
    return abs((first_deg - second_deg + 180.0) % 360.0 - 180.0)


def _rayleigh(n: int, resultant: float) -> float:
    z = n * resultant**2
    first = (2.0 * z - z**2) / (4.0 * n)
    second = (24.0 * z - 132.0 * z**2 + 76.0 * z**3 - 9.0 * z**4) / (288.0 * n**2)
    return min(1.0, max(0.0, math.exp(-z) * (1.0 + first - second)))  # a hair below zero where all are the same
