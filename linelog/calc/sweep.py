"""The rim sweep: readings round the clock to the offset of a component, with its uncertainty.

    r(t) = c + g*(dx*sin t + dy*cos t) + second harmonic + sag(t) + noise

Offset = component's centre less the ram line, seen from the crank: dx to the right (3 o'clock), dy up (12 o'clock).
Plunger pressed in reads positive.

Sag. Gravity leaves one sign only, so a bracket's sag is entered as a size (as the Bureau of Reclamation's FIST 4-1A
has it too) and the program knows the way it acts. Let the dial hang a true droop e below where a stiff bracket would
carry it. Round the OUTSIDE of a stiff mandrel the dial at 12 presses e further in and at 6 stands e off, so zeroed
at 12 it reads -2e at 6. INSIDE a bore it is the other way about: +2e at 6. The indicated sag is S = 2e and

    sag(t) = -S*(1 - cos t)/2 on an outside,  +S*(1 - cos t)/2 in a bore.

Left uncorrected, a dial carried on the ram line sees the component high by e, on either surface; one carried on the
component sees it low by e. Sag moves only dy.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from linelog.calc import require
from linelog.calc.dial import USUAL_DOF, USUAL_SD_UM, Dial, hang, work_up
from linelog.calc.errors import CalcError
from linelog.calc.harmonics import Lobes
from linelog.calc.lobes import NO_LOBES, UsualLobes
from linelog.calc.quality import Quality, ReadAgain, check_sweep
from linelog.calc.readings import FloatArray, Sweep, View, clock_position
from linelog.calc.uncertainty import Part, Planar, planar
from linelog.calc.units import ABSURD_UM, tir_from_offset

__all__ = [  # what a caller needs for a sweep, in one import
    "ALGORITHM",
    "CENTRING",
    "Carrier",
    "Lobes",
    "Quality",
    "ReadAgain",
    "Surface",
    "Sweep",
    "SweepResult",
    "SweepSetup",
    "View",
    "check_sweep",
    "clock_position",
    "droop_from_sag",
    "reduce_sweep",
    "sag_from_droop",
    "sag_readings",
]

#: Stored beside every result, so that results of other sums can be told apart.
ALGORITHM = "sweep-2"


class Surface(Enum):
    """What the plunger touches."""

    BORE = "bore"
    OUTSIDE = "outside"


class Carrier(Enum):
    """What carries the indicator round."""

    RAM = "ram"  # the ram, or a shaft held on the ram's line
    BAR = "bar"  # a straight bar on its own supports in the cradle, set on the ram's line
    COMPONENT = "component"  # turns about the component's axis and touches the ram


_GAIN = {
    (Carrier.RAM, Surface.BORE): -1,
    (Carrier.RAM, Surface.OUTSIDE): +1,
    (Carrier.BAR, Surface.BORE): -1,
    (Carrier.BAR, Surface.OUTSIDE): +1,
    (Carrier.COMPONENT, Surface.OUTSIDE): -1,
}


#: The part of the budget that is one error of the whole set-up. A bar is set up once for all stations of a visit.
CENTRING = {
    Carrier.RAM: "centring of the shaft",
    Carrier.COMPONENT: "centring of the shaft",
    Carrier.BAR: "centring of the bar",
}


@dataclass(frozen=True, slots=True)
class SweepSetup:
    """How a rim sweep was made. Micrometres; what starts with u_ is a standard uncertainty.

    view, plunger_reversed  the end it was read from; a dial that reads positive as its plunger comes out
    resolution_um           smallest step read off the dial
    sag_indicated_um        size of the reading at 6 on a stiff mandrel, zeroed at 12: twice the true droop, no sign
    u_sag_um                of that reading
    u_shaft_um              of the carrier's centring on the ram line, in each axis (shaft, adapters)
    usual_sd_um, usual_dof  usual standard deviation of one reading in this plant, and degrees of freedom behind it
    lobes                   usual out-of-round, for positions that would take it for an offset

    Raises `CalcError` for a size out of bounds, and for an indicator carried on the component inside a bore, where
    there is nothing of the ram to touch.
    """

    surface: Surface
    carrier: Carrier = Carrier.RAM
    view: View = View.CRANK
    plunger_reversed: bool = False
    resolution_um: float = 1.0
    sag_indicated_um: float = 0.0
    u_sag_um: float = 0.0
    u_shaft_um: float = 0.0
    usual_sd_um: float = USUAL_SD_UM
    usual_dof: float = USUAL_DOF
    lobes: UsualLobes = NO_LOBES

    def __post_init__(self) -> None:
        if (self.carrier, self.surface) not in _GAIN:
            raise CalcError(
                "An indicator carried on the component touches the outside of the ram, not a bore.", field="surface"
            )
        _ = self.dial  # refuses a dial that cannot be
        require.number(
            self.sag_indicated_um, "The sag, a size without sign, in µm", "sag_indicated_um", 0.0, ABSURD_UM
        )
        require.number(self.u_sag_um, "The uncertainty of the sag in µm", "u_sag_um", 0.0, ABSURD_UM)
        require.number(self.u_shaft_um, "The uncertainty of the shaft's centring in µm", "u_shaft_um", 0.0, ABSURD_UM)

    @property
    def dial(self) -> Dial:
        """What this set-up shares with a face sweep."""
        usual = self.usual_sd_um, self.usual_dof, self.lobes
        return Dial(self.view, self.plunger_reversed, self.resolution_um, *usual)

    @property
    def gain(self) -> int:
        """Sign g of the offset in the readings."""
        return _GAIN[self.carrier, self.surface]

    @property
    def sag_at_six_um(self) -> float:
        """Reading that sag alone gives at 6 in this set-up, zeroed at 12."""
        return self.sag_indicated_um if self.surface is Surface.BORE else -self.sag_indicated_um


@dataclass(frozen=True, slots=True)
class SweepResult:
    """Offset of the component from the ram line, seen from the crank whichever end it was read from.

    offset    um: x right, y up, size, direction_deg, and uncertainties across, up and radial, each u, dof, k, U
    quality   closure, return to zero, out-of-round, scatter; see `check_sweep`
    """

    offset: Planar
    quality: Quality

    @property
    def tir_um(self) -> float:
        """Full indicator reading of the fitted first harmonic: twice the radial offset."""
        return tir_from_offset(self.offset.size)


def sag_from_droop(droop_um: float) -> float:
    """Return the indicated sag, the size of the reading at 6 zeroed at 12: twice the true droop of the dial."""
    return 2.0 * droop_um


def droop_from_sag(sag_indicated_um: float) -> float:
    """Return the true droop of the dial: half the indicated sag."""
    return sag_indicated_um / 2.0


def sag_readings(setup: SweepSetup, angles_deg: FloatArray) -> FloatArray:
    """Return what sag alone adds to the readings at these clock angles; um, 0 at 12, plunger pressed in positive."""
    return hang(setup.sag_at_six_um, angles_deg)


def reduce_sweep(setup: SweepSetup, sweeps: Sequence[Sweep]) -> SweepResult:
    """Work out the offset from one sweep or several repeats of it, each at three or more positions at any angles.

    Least squares (`fit_harmonics`) with a JCGM 100:2008 budget: scatter of the readings, resolution of the dial,
    sag (dy only) and centring of the shaft. Raises `CalcError` where there is no sweep or its positions lie too
    close together.
    """
    worked = work_up(setup.dial, sweeps, setup.sag_at_six_um)
    budget = (
        *worked.parts,
        Part("sag of the bracket", 0.0, droop_from_sag(setup.u_sag_um) ** 2),
        Part(CENTRING[setup.carrier], setup.u_shaft_um**2, setup.u_shaft_um**2),
    )
    offset = planar(setup.gain * worked.fit.sin_um, setup.gain * worked.fit.cos_um, budget)
    return SweepResult(offset, worked.quality)
