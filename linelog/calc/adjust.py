"""Adjusters of a station, and the rigid body that rides on them.

Frame: seen from the crank, x right (3 o'clock), y up (12 o'clock), z forward; clock angles run clockwise from 12.
An adjuster pushes the component at one point in one direction: across the ram line (feet, side screws, slides), or
along it (shims behind a flange), which tilts the component. Positive travel is the way it pushes: for a shim pack,
pieces put in.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from itertools import pairwise

import numpy as np

from linelog.calc import require
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats

#: Travel assumed where no bound is known: more than any alignment needs.
WIDEST_TRAVEL_UM = 20_000.0
#: Finest part of a turn set by eye, where a screw has no resolution of its own: a quarter of a flat of its hexagon
#: (common practice, no source).
QUARTER_FLATS_A_TURN = 24

_PLACES = (-20_000.0, 20_000.0)
_THINNEST_UM, _THICKEST_UM = 1.0, 5_000.0
_MOST_PIECES = 10_000
_MOST_THICKNESSES = 40
_SAME_THICKNESS_UM = 0.1
_FINEST_STEP_UM = 0.1
_NO_LEVER_MM = 1e-3  # adjusters closer together than this along the lever turn nothing

Stock = tuple[tuple[float, int | None], ...]


class Kind(Enum):
    """What an adjuster is."""

    SHIM = "shim"
    SCREW = "screw"
    SLIDE = "slide"


@dataclass(frozen=True, slots=True)
class Adjuster:
    """One thing on a station that can be moved.

    z_mm          where it acts along the ram
    clock_deg     clock angle toward which positive travel pushes the component; or
    direction     the same as a vector (ux, uy) of any length; or
    tilt_at_mm    for one that pushes along z: the point (x, y) where it acts, from the station's centre
    pushes_back   with tilt_at_mm: positive travel pushes toward the crank, not toward the domer
    min_um, max_um  travel left each way, from where it stands now; None where no bound is known
    stock         shim: (thickness um, pieces at hand, or None for plenty) of each thickness. Adjusters of a station
                  that list a number for one thickness share those pieces
    pieces_um     shim: thickness of each piece now in the pack; None where not known, when every thickness of the
                  stock is taken to be in there
    pitch_mm      screw: travel of one turn
    clockwise_moves_positive  screw: turned in (clockwise), it pushes the way it points
    backlash_turns screw: play of its thread: turned out, it goes so far past and comes back in
    resolution_um slide, screw: smallest step it can be set to; None for a screw means a quarter flat

    Raises `CalcError`, with the field, for what cannot be: no direction or two, an empty stock, no pitch, a slide
    without resolution, bounds the wrong way round, numbers that are not finite or beyond belief.
    """

    name: str
    kind: Kind
    z_mm: float
    clock_deg: float | None = None
    direction: tuple[float, float] | None = None
    tilt_at_mm: tuple[float, float] | None = None
    pushes_back: bool = False
    min_um: float | None = None
    max_um: float | None = None
    stock: Stock = ()
    pieces_um: tuple[float, ...] | None = None
    pitch_mm: float | None = None
    clockwise_moves_positive: bool = True
    resolution_um: float | None = None
    backlash_turns: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "stock", tuple((thickness, pieces) for thickness, pieces in self.stock))
        if self.pieces_um is not None:
            object.__setattr__(self, "pieces_um", tuple(self.pieces_um))
        require.number(self.z_mm, f"The position along the ram of {self.name} in mm", "z_mm", *_PLACES)
        _check_direction(self)
        _check_bounds(self)
        {Kind.SHIM: _check_shims, Kind.SCREW: _check_screw, Kind.SLIDE: _check_slide}[self.kind](self)

    @property
    def push(self) -> tuple[float, float, float]:
        """Unit vector (x, y, z) of positive travel."""
        if self.tilt_at_mm is not None:
            return 0.0, 0.0, -1.0 if self.pushes_back else 1.0
        if self.direction is not None:
            size = math.hypot(*self.direction)
            return self.direction[0] / size, self.direction[1] / size, 0.0
        turn = math.radians(self.clock_deg or 0.0)
        return math.sin(turn), math.cos(turn), 0.0

    @property
    def step_um(self) -> float:
        """Smallest step of a screw or slide. A shim pack has none: its steps are those of its stock."""
        if self.resolution_um is not None:
            return self.resolution_um
        return (self.pitch_mm or 0.0) * 1000.0 / QUARTER_FLATS_A_TURN

    @property
    def reach_um(self) -> tuple[float, float]:
        """Least and greatest travel: the bounds, and for shims what is in the pack and what is at hand."""
        low = -WIDEST_TRAVEL_UM if self.min_um is None else self.min_um
        high = WIDEST_TRAVEL_UM if self.max_um is None else self.max_um
        if self.pieces_um is not None:
            low = max(low, -sum(self.pieces_um))
        if self.kind is Kind.SHIM and all(pieces is not None for _, pieces in self.stock):
            high = min(high, sum(thickness * (pieces or 0) for thickness, pieces in self.stock))
        return low, high


@dataclass(frozen=True, slots=True)
class Mount:
    """A rigid body on n adjusters. A motion is (dx, dy, dz, slope_x, slope_y) at the station's z, um and um/mm.

    to_travel   (n, 5): the travel that each adjuster must make for a motion
    to_motion   (5, n): the motion that travels make; the matrix A of the trade, with a row for dz

    Adjusters that lie on no rigid motion (a fourth foot, two feet at one place) leave a strain: what the body
    cannot follow: a foot does not bear. The motion is then the least-squares one.
    """

    to_travel: Floats
    to_motion: Floats

    @property
    def strain(self) -> Floats:
        """(n, n): the part of each travel that no rigid motion follows, um per um."""
        return np.eye(len(self.to_travel)) - self.to_travel @ self.to_motion

    def turned(self, frame: Floats) -> "Mount":
        """Return the same mount with x and y along the rows of `frame`, an orthonormal 2 x 2 matrix."""
        whole = np.eye(5)
        whole[:2, :2] = whole[3:, 3:] = frame
        return Mount(self.to_travel @ whole.T, whole @ self.to_motion)


def mount(adjusters: Sequence[Adjuster], z0_mm: float) -> Mount:
    """Work out how a station rides on its adjusters; motion is taken at `z0_mm`, the station's reference.

    By small-angle rigid-body geometry: a point at height z moves across by d + slope*(z - z0), a point (x, y) of a
    plane square to the axis moves along by dz - slope_x*x - slope_y*y. Two feet at zf and zr so give
    travel = dy + slope*(zf - z0) and the like. What the adjusters of a direction do not govern stays as it is: one
    of them alone shifts the body and does not turn it.
    """
    return _mounted(tuple(adjusters), z0_mm)


@lru_cache(maxsize=1024)
def _mounted(adjusters: tuple[Adjuster, ...], z0_mm: float) -> Mount:
    rows = np.array([_row(adjuster, z0_mm) for adjuster in adjusters], dtype=np.float64).reshape(-1, 5)
    rows[np.abs(rows) < 1e-12] = 0.0
    shift, turn = rows[:, :3], rows[:, 3:]
    back = np.linalg.pinv(shift, rcond=1e-9)
    # Slopes are fitted to what no shift explains, then shifts to what the slopes leave: the least slope that fits.
    unexplained = np.eye(len(rows)) - shift @ back
    lever = unexplained @ turn
    size = np.linalg.norm(lever, 2) if lever.size else 0.0
    slopes = np.linalg.pinv(lever, rcond=_NO_LEVER_MM / max(size, _NO_LEVER_MM)) @ unexplained
    motion = np.vstack([back @ (np.eye(len(rows)) - turn @ slopes), slopes])
    for shared in (rows, motion):
        shared.setflags(write=False)
    return Mount(rows, motion)


def travel_matrix(adjusters: Sequence[Adjuster], z0_mm: float) -> Floats:
    """Return A, (4, n): what 1 um of each adjuster does to (dx, dy) in um and (slope_x, slope_y) in mm/m at z0."""
    return mount(adjusters, z0_mm).to_motion[[0, 1, 3, 4]]


def _row(adjuster: Adjuster, z0_mm: float) -> tuple[float, float, float, float, float]:
    x, y, along = adjuster.push
    if adjuster.tilt_at_mm is not None:
        at_x, at_y = adjuster.tilt_at_mm
        return 0.0, 0.0, along, -along * at_x, -along * at_y
    lever = adjuster.z_mm - z0_mm
    return x, y, 0.0, x * lever, y * lever


def _check_direction(adjuster: Adjuster) -> None:
    ways = {
        "clock_deg": adjuster.clock_deg,
        "direction": adjuster.direction,
        "tilt_at_mm": adjuster.tilt_at_mm,
    }
    given = [(field, value) for field, value in ways.items() if value is not None]
    if len(given) != 1:
        what = "has no direction" if not given else "has more than one direction"
        raise CalcError(f"{adjuster.name} {what}: say which way it moves the station.", field="direction")
    ((field, value),) = given
    numbers = require.numbers(np.ravel(value), f"The direction of {adjuster.name}", field, *_PLACES)
    if numbers.size != (1 if field == "clock_deg" else 2):
        raise CalcError(f"The direction of {adjuster.name} needs an x and a y.", field=field)
    if field == "direction" and math.hypot(*numbers) < 1e-6:
        raise CalcError(f"{adjuster.name} has no direction: x and y are both zero.", field=field)


def _check_bounds(adjuster: Adjuster) -> None:
    wide = (-WIDEST_TRAVEL_UM, WIDEST_TRAVEL_UM)
    low = require.number(adjuster.min_um or 0.0, f"The least travel of {adjuster.name} in µm", "min_um", *wide)
    high = require.number(adjuster.max_um or 0.0, f"The most travel of {adjuster.name} in µm", "max_um", *wide)
    if adjuster.min_um is not None and adjuster.max_um is not None and low > high:
        raise CalcError(f"The least travel of {adjuster.name} is above the most.", field="min_um")
    if low > 0.0 or high < 0.0:
        field = "min_um" if low > 0.0 else "max_um"
        raise CalcError(f"{adjuster.name} stands outside its own travel: 0 must lie within it.", field=field)


def _check_shims(adjuster: Adjuster) -> None:
    if not adjuster.stock:
        raise CalcError(f"There is no shim stock for {adjuster.name}: list the thicknesses at hand.", field="stock")
    if len(adjuster.stock) > _MOST_THICKNESSES:
        raise CalcError(f"List at most {_MOST_THICKNESSES} thicknesses for {adjuster.name}.", field="stock")
    known = [thickness for thickness, _ in adjuster.stock]
    inside = adjuster.pieces_um or ()
    for field, thicknesses in (("stock", known), ("pieces_um", inside)):
        what = f"The thickness of a shim of {adjuster.name} in µm"
        require.numbers(thicknesses, what, field, _THINNEST_UM, _THICKEST_UM)
    ordered = sorted(known)
    if any(b - a < _SAME_THICKNESS_UM for a, b in pairwise(ordered)):
        raise CalcError(f"A thickness is listed twice in the stock of {adjuster.name}.", field="stock")
    if len(inside) > _MOST_PIECES:
        raise CalcError(f"There cannot be so many pieces under {adjuster.name}.", field="pieces_um")
    for pieces in [pieces for _, pieces in adjuster.stock if pieces is not None]:
        if require.number(pieces, "The number of pieces at hand", "stock", 0, _MOST_PIECES) != int(pieces):
            raise CalcError(f"The pieces at hand for {adjuster.name} must be a whole number.", field="stock")


def _check_screw(adjuster: Adjuster) -> None:
    if adjuster.pitch_mm is None:
        raise CalcError(f"{adjuster.name} is a screw: give its pitch.", field="pitch_mm")
    require.above(adjuster.pitch_mm, f"The pitch of {adjuster.name} in mm", "pitch_mm", 0.0, 50.0)
    require.number(adjuster.backlash_turns, f"The backlash of {adjuster.name} in turns", "backlash_turns", 0.0, 5.0)
    if adjuster.resolution_um is not None:
        _check_resolution(adjuster)
    if adjuster.step_um < _FINEST_STEP_UM:
        raise CalcError(f"The pitch of {adjuster.name} is too fine to be a screw's.", field="pitch_mm")


def _check_slide(adjuster: Adjuster) -> None:
    if adjuster.resolution_um is None:
        raise CalcError(f"{adjuster.name} is a slide: give the step it can be set to.", field="resolution_um")
    _check_resolution(adjuster)


def _check_resolution(adjuster: Adjuster) -> None:
    what = f"The smallest step of {adjuster.name} in µm"
    require.number(adjuster.resolution_um or 0.0, what, "resolution_um", _FINEST_STEP_UM, WIDEST_TRAVEL_UM)
