"""What rim and face sweeps share: the dial, its reading, the fit and the part of the budget that comes from both."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linelog.calc import require
from linelog.calc.doubt import ReadingNoise
from linelog.calc.errors import CalcError
from linelog.calc.harmonics import HarmonicFit, Lobes, Spread, fit_harmonics
from linelog.calc.lobes import NO_LOBES, UsualLobes
from linelog.calc.quality import Quality, judge_quality
from linelog.calc.readings import FloatArray, Sweep, View, upright
from linelog.calc.uncertainty import Part, pool_scatter, resolution_uncertainty

#: Usual scatter of one reading and how well it is known: editable plant settings, common practice, no source.
#: Eight degrees of freedom stand for a figure that may be a quarter wrong (JCGM 100:2008, equation G.3).
USUAL_SD_UM = 2.5
USUAL_DOF = 8.0

RESOLUTION = "resolution of the dial"  # the name of its line in a budget


@dataclass(frozen=True, slots=True)
class Dial:
    """The indicator and the person who reads it; see `SweepSetup` for the fields."""

    view: View
    plunger_reversed: bool
    resolution_um: float
    usual_sd_um: float
    usual_dof: float
    lobes: UsualLobes = NO_LOBES

    def __post_init__(self) -> None:
        require.number(self.resolution_um, "The dial's resolution in µm", "resolution_um", 0.001, 1_000.0)
        require.number(self.usual_sd_um, "The usual scatter of a reading in µm", "usual_sd_um", 0.001, 1_000.0)
        require.number(self.usual_dof, "The degrees of freedom of the usual scatter", "usual_dof", 1.0, 1e6)

    @property
    def noise(self) -> ReadingNoise:
        """What is usual for one reading."""
        return ReadingNoise(self.usual_sd_um, self.resolution_um)


@dataclass(frozen=True, slots=True)
class WorkedUp:
    """The fit of the upright, sag-free readings; how good they are; and their lines of the budget (um)."""

    fit: HarmonicFit
    quality: Quality
    parts: tuple[Part, ...]


def work_up(dial: Dial, sweeps: Sequence[Sweep], sag_at_six_um: float) -> WorkedUp:
    """Turn the sweeps upright, take the sag out, fit them together and judge them.

    Resolution is counted once for each position and not lessened by repeats, which round the same way. It is also
    in the residuals to some degree, so it is counted a little twice, on the safe side (JCGM 100:2008, H.6).
    """
    if not sweeps:
        raise CalcError("There is no sweep to work from: enter the readings first.", field="sweeps")
    turned = [upright(sweep, dial.view, plunger_reversed=dial.plunger_reversed) for sweep in sweeps]
    angles = [sweep.angles_deg for sweep in turned]
    fit = fit_harmonics(angles, [sweep.readings_um - hang(sag_at_six_um, sweep.angles_deg) for sweep in turned])
    own = fit.residual_sd_um, fit.residual_dof
    scatter = pool_scatter(*own, dial.usual_sd_um, dial.usual_dof, dial.resolution_um)
    scattered = _part("scatter of the readings", scatter.sd, fit.spread, scatter.dof)
    parts = (
        replace(scattered, repeats=len(sweeps)),
        _part(RESOLUTION, resolution_uncertainty(dial.resolution_um), fit.spread_once, None),
        *_closure_doubt(fit, ReadingNoise(dial.usual_sd_um / math.sqrt(len(sweeps)), dial.resolution_um)),
        *dial.lobes.unseen(fit.lobe_bias),
    )
    return WorkedUp(fit, judge_quality(turned, fit, scatter, dial.noise), parts)


def _closure_doubt(fit: HarmonicFit, noise: ReadingNoise) -> tuple[Part, ...]:
    """Four positions can't tell a misread from an oval bore, and a misread moves the offset by half its closure."""
    if fit.second.seen is not Lobes.ONE_PART or fit.second.amplitude_um is None:
        return ()
    closure = 4.0 * fit.second.amplitude_um
    return () if noise.explains_closure(closure) else (Part("closure", 0.0, 0.0, linear=closure / 2.0),)


def hang(sag_at_six_um: float, angles_deg: FloatArray) -> FloatArray:
    """Return what sag alone reads at these clock angles: 0 at 12, `sag_at_six_um` at 6, half of it at 3 and 9."""
    return np.asarray(sag_at_six_um * (1.0 - np.cos(np.radians(angles_deg))) / 2.0)


def _part(name: str, u_reading: float, spread: Spread, dof: float | None) -> Part:
    variance = u_reading**2
    return Part(name, variance * spread.sin, variance * spread.cos, variance * spread.both, dof)
