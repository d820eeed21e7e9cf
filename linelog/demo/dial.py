"""What a dial would read: circles and planes in space, with none of the logbook's own sums.

A rim: the distance from the dial's own axis to a circle about the component's centre. A face: the height of a plane
at the radius swept. To that come the bracket's droop, lobes of what is swept, the scatter and the steps of the dial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.demo.scenario import DialPlan

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Setup:
    """How it is swept: on an outside diameter or in a bore, seen from the domer or from the crank; um."""

    outside: bool
    from_domer: bool
    droop_um: float
    step_um: float


def frame_angles(seen_deg: Floats, setup: Setup) -> Floats:
    """Return clock angles as seen from the crank: from the domer 3 and 9 change places."""
    return -seen_deg if setup.from_domer else seen_deg


def rim(offset: Floats, radius_um: float, setup: Setup, angles_deg: Floats) -> Floats:
    """Return what a dial on the ram line reads of a circle at `offset` (2,), um, plunger pressed in positive."""
    turn = np.radians(frame_angles(angles_deg, setup))
    along = np.stack([np.sin(turn), np.cos(turn)], axis=-1)
    to_centre = offset - np.array([0.0, -setup.droop_um])
    foot = along @ to_centre
    reach = foot + np.sqrt(radius_um**2 - (to_centre @ to_centre - foot**2))
    return np.asarray(reach if setup.outside else -reach)


def face(slope: Floats, radius_mm: float, setup: Setup, angles_deg: Floats) -> Floats:
    """Return what a dial carried round the ram line reads on a face square to an axis of this slope (2,), um/mm."""
    turn = np.radians(frame_angles(angles_deg, setup))
    height_um = -radius_mm * (slope[0] * np.sin(turn) + slope[1] * np.cos(turn))
    return np.asarray(-height_um)  # a face further off, toward the domer, lets the plunger out


def lobes(rng: np.random.Generator, plan: DialPlan, angles_deg: Floats) -> Floats:
    """Return the two-lobed error of what is swept, um."""
    a, b = rng.normal(0.0, plan.lobes_um, 2)
    turn = 2.0 * np.radians(angles_deg)
    return np.asarray(a * np.cos(turn) + b * np.sin(turn))


def read(rng: np.random.Generator, plan: DialPlan, exact: Floats, step_um: float) -> NDArray[np.int64]:
    """Return the readings and the return reading in whole steps of the dial, zeroed at the first position."""
    back = rng.normal(0.0, plan.return_drift_um)
    true = np.append(exact - exact[0], back)
    return np.rint((true + rng.normal(0.0, plan.noise_um, true.size)) / step_um).astype(np.int64)
