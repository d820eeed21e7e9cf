"""The face sweep: how far a face is out of square to the ram line, in mm/m.

    f(t) = c - rho*(ax*sin t + ay*cos t)      plunger toward the domer, on a face that looks to the crank

with the face plane z = ax*x + ay*y: ax > 0 where the face lies further forward on the right, ay > 0 where it lies
further forward at the top. On a face that looks to the domer (plunger toward the crank) the sign turns round.

Two words, two signs. A TILT is the slope of that face plane. A SLOPE is that of the component's axis, (dx/dz, dy/dz).
Where the face is square to its axis the one is the negative of the other: an axis that climbs toward the domer
(dy/dz > 0) has a face that leans back at the top (ay < 0). `slope_from_tilt` is the one place where they meet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from linelog.calc import require
from linelog.calc.dial import USUAL_DOF, USUAL_SD_UM, Dial, work_up
from linelog.calc.errors import CalcError
from linelog.calc.lobes import NO_LOBES, UsualLobes
from linelog.calc.quality import Quality
from linelog.calc.readings import Sweep, View
from linelog.calc.uncertainty import Part, Planar, planar
from linelog.calc.units import ABSURD_UM

_LEAST_RADIUS_MM = 1.0
_MOST_RADIUS_MM = 2_000.0


class Facing(Enum):
    """The end that the face looks to."""

    CRANK = "crank"  # rear-facing: the plunger points toward the domer
    DOMER = "domer"  # front-facing: the plunger points toward the crank


@dataclass(frozen=True, slots=True)
class FaceSetup:
    """How a face sweep was made, with an indicator carried round the ram line; fields as in `SweepSetup`.

    Only sag is different: sag_at_six_um is what the dial reads at 6 on a square face of a stiff mandrel, zeroed at
    12, WITH its sign (plunger pressed in positive), since a drooping bracket may nod either way.
    """

    facing: Facing = Facing.CRANK
    view: View = View.CRANK
    plunger_reversed: bool = False
    resolution_um: float = 1.0
    sag_at_six_um: float = 0.0
    u_sag_um: float = 0.0
    usual_sd_um: float = USUAL_SD_UM
    usual_dof: float = USUAL_DOF
    lobes: UsualLobes = NO_LOBES

    def __post_init__(self) -> None:
        _ = self.dial  # refuses a dial that cannot be
        require.number(self.sag_at_six_um, "The face sag in µm", "sag_at_six_um", -ABSURD_UM, ABSURD_UM)
        require.number(self.u_sag_um, "The uncertainty of the face sag in µm", "u_sag_um", 0.0, ABSURD_UM)

    @property
    def dial(self) -> Dial:
        """What this set-up shares with a rim sweep."""
        usual = self.usual_sd_um, self.usual_dof, self.lobes
        return Dial(self.view, self.plunger_reversed, self.resolution_um, *usual)

    @property
    def gain(self) -> int:
        """Sign of rho*tilt in the readings."""
        return -1 if self.facing is Facing.CRANK else +1


@dataclass(frozen=True, slots=True)
class FaceResult:
    """Tilt of a face, seen from the crank whichever end it was read from.

    tilt      mm/m: x = ax, y = ay of the plane z = ax*x + ay*y, size, and uncertainties; its direction_deg is the
              clock position where the face lies furthest forward
    tir_um    full indicator reading of the fitted first harmonic at the radius swept, 2*rho*|a|
    quality   as for a rim sweep; its second harmonic is a face that is not flat (two lobes)
    """

    tilt: Planar
    tir_um: float
    quality: Quality

    @property
    def slope(self) -> Planar:
        """Slope (dx/dz, dy/dz) of the axis that the face is square to, mm/m."""
        x, y = slope_from_tilt(self.tilt.x, self.tilt.y)
        return planar(x, y, self.tilt.budget)


def slope_from_tilt(tilt_x: float, tilt_y: float) -> tuple[float, float]:
    """Turn a face tilt (ax, ay) into the axis slope (dx/dz, dy/dz), or back: each is the other's negative.

    The normal of z = ax*x + ay*y is (-ax, -ay, 1), and a face square to its axis has the axis for its normal.
    """
    return -tilt_x, -tilt_y


def reduce_face(setup: FaceSetup, radius_mm: float, sweeps: Sequence[Sweep]) -> FaceResult:
    """Work out the tilt from one face sweep or several repeats, swept at radius rho = `radius_mm` from the ram line.

    End float of the carrier goes straight into the readings: see `cancel_end_float`. Raises `CalcError` for a radius
    outside 1 to 2000 mm, and as `reduce_sweep` does.
    """
    require.number(radius_mm, "The radius swept in mm", "radius_mm", _LEAST_RADIUS_MM, _MOST_RADIUS_MM)
    worked = work_up(setup.dial, sweeps, setup.sag_at_six_um)
    per_mm = setup.gain / radius_mm  # um/mm is mm/m
    sag = Part("sag of the bracket", 0.0, (setup.u_sag_um / 2.0) ** 2)
    budget = [part.scaled(per_mm) for part in (*worked.parts, sag)]
    tilt = planar(per_mm * worked.fit.sin_um, per_mm * worked.fit.cos_um, budget)
    return FaceResult(tilt, 2.0 * radius_mm * tilt.size, worked.quality)


def cancel_end_float(first: Sweep, opposite: Sweep) -> Sweep:
    """Make one face sweep, free of the carrier's end float, of two dials read together half a turn apart.

    Each sweep carries its own dial's clock positions; the second dial's are the first's plus 180 degrees, in the
    same order. Both dials move alike with end float e and opposite with tilt, so half their difference holds the
    tilt in full and no e: (c1 + e + w - c2 - e + w)/2. A face with two lobes looks flat in it, and a closure
    says nothing of such a face. Half the difference is also less scattered than a reading, by sqrt 2: the
    uncertainty is worked out without that gain, on the safe side.
    """
    turned = [(angle + 180.0) % 360.0 for angle in first.angles_deg]
    if len(turned) != len(opposite.angles_deg) or any(
        abs((other - angle + 180.0) % 360.0 - 180.0) > 1e-6
        for angle, other in zip(turned, opposite.angles_deg, strict=False)
    ):
        raise CalcError(
            "The second dial must be read at the same time as the first, half a turn from it.", field="angles_deg"
        )
    half = tuple((a - b) / 2.0 for a, b in zip(first.readings_um, opposite.readings_um, strict=True))
    if first.return_um is None or opposite.return_um is None:
        return Sweep(first.angles_deg, half)
    return Sweep(first.angles_deg, half, (first.return_um - opposite.return_um) / 2.0)
