"""How far a sweep may be trusted: closure, return to zero, out-of-round, scatter; and when to read it again."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from linelog.calc.doubt import CLOSURE_GAIN, ReadingNoise
from linelog.calc.errors import CalcError
from linelog.calc.harmonics import HarmonicFit, SecondHarmonic
from linelog.calc.readings import Upright
from linelog.calc.uncertainty import Scatter
from linelog.calc.units import Unit, show_um

_UNUSUAL_CHANCE = 0.003  # of a sound sweep to scatter so, by the F test; `doubt` has those of the other checks
_NOTHING_UM = 1e-6  # rounding of binary fractions: a figure exactly on its limit is not beyond it


@dataclass(frozen=True, slots=True)
class Quality:
    """What the readings say about themselves, micrometres, plunger pressed in positive.

    positions, repeats   distinct clock positions; sweeps
    mean_um              constant c of the fit (mean over repeats): where the dial happened to be set
    raw_tir_um           full indicator reading as read, sag and all: largest reading less smallest, worst repeat
    closure_um           R12 + R6 - R3 - R9 = 4*a2, signed, worst repeat; from another four positions a quarter turn
                         apart where those are not all there; else 4*a2 of the fit; None where not seen
    return_um            first position read again less its first reading, signed, worst repeat; None if never read
    second               second harmonic; `second.amplitude_um` is the out-of-round
    residual_sd_um       scatter about the fit, None where no degree of freedom is left for it
    scatter              standard deviation of one reading that the uncertainty was worked out with
    noise                what is usual for a reading in this plant, and the step of the dial
    closure_gain         standard deviation of the closure where that of a reading is 1
    readings, worst_um   readings in all; the largest residual, as large as that of one reading would be
    """

    positions: int
    repeats: int
    mean_um: float
    raw_tir_um: float
    closure_um: float | None
    return_um: float | None
    second: SecondHarmonic
    residual_sd_um: float | None
    residual_dof: int
    scatter: Scatter
    noise: ReadingNoise
    readings: int
    worst_um: float
    closure_gain: float

    @property
    def usual_sd_um(self) -> float:
        """What is usual for a reading in this plant."""
        return self.noise.usual_sd_um

    @property
    def misread_limit_um(self) -> float:
        """Largest residual that a sound sweep shows, as `worst_um`."""
        return self.noise.misread_limit_um(self.readings, self.residual_dof)


class HasQuality(Protocol):
    """A result of a rim or a face sweep."""

    @property
    def quality(self) -> Quality:
        """What the readings say about themselves."""
        ...


@dataclass(frozen=True, slots=True)
class ReadAgain:
    """One reason to read a sweep again: the figure, its limit, and a sentence with both. It forbids nothing."""

    code: str  # 'closure', 'return' or 'scatter'
    sentence: str
    field: str
    value_um: float
    limit_um: float


@dataclass(frozen=True, slots=True)
class QualityLimits:
    """The limits in effect, um: those the plant has set, or what the dial and the usual scatter explain if more."""

    closure_um: float
    return_um: float


def limits_in_effect(quality: Quality, closure_limit_um: float = 25.0, return_limit_um: float = 5.0) -> QualityLimits:
    """Return the limits that a sweep is held to, from those set; a set one not above zero raises `CalcError`."""
    for limit, field in ((closure_limit_um, "closure_limit_um"), (return_limit_um, "return_limit_um")):
        if not (np.isfinite(limit) and limit > 0.0):
            raise CalcError("A limit must be above zero.", field=field)
    noise, repeats = quality.noise, quality.repeats
    return QualityLimits(
        noise.closure_limit_um(closure_limit_um, repeats, quality.closure_gain),
        noise.return_limit_um(return_limit_um, repeats),
    )


def judge_quality(sweeps: Sequence[Upright], fit: HarmonicFit, scatter: Scatter, noise: ReadingNoise) -> Quality:
    """Gather the figures from sweeps already turned upright, with their fit."""
    closures = [closure for closure in map(_closure, sweeps) if closure is not None]
    gain = CLOSURE_GAIN
    if not closures and fit.second.cos_um is not None:
        closures, gain = [4.0 * fit.second.cos_um], 4.0 * fit.second.cos_spread
    returns = [sweep.return_difference_um for sweep in sweeps if sweep.return_difference_um is not None]
    return Quality(
        positions=fit.positions,
        repeats=len(sweeps),
        mean_um=fit.mean_um,
        raw_tir_um=max(float(np.ptp(sweep.readings_um)) for sweep in sweeps),
        closure_um=max(closures, key=abs, default=None),
        return_um=max(returns, key=abs, default=None),
        second=fit.second,
        residual_sd_um=fit.residual_sd_um if fit.residual_dof else None,
        residual_dof=fit.residual_dof,
        scatter=scatter,
        noise=noise,
        readings=sum(len(sweep.readings_um) for sweep in sweeps),
        worst_um=fit.worst_um,
        closure_gain=gain,
    )


def check_sweep(
    result: HasQuality, closure_limit_um: float = 25.0, return_limit_um: float = 5.0, *, unit: Unit = Unit.MM
) -> tuple[ReadAgain, ...]:
    """Reasons to read the sweep again; none where all is well.

    The two limits are plant settings; the defaults are common practice, no source. They are raised to what dial and
    usual scatter explain (`limits_in_effect`). A figure on its limit passes. `unit` is the one the sentences are
    written in. A limit that is not above zero raises `CalcError`.
    """
    quality = result.quality
    limits = limits_in_effect(quality, closure_limit_um, return_limit_um)
    found = (
        _closure_reason(quality.closure_um, limits.closure_um, unit),
        _return_reason(quality.return_um, limits.return_um, unit),
        _scatter_reason(quality, unit),
    )
    return tuple(reason for reason in found if reason is not None)


def _closure(sweep: Upright) -> float | None:
    """Sum of two opposite readings less the sum of the two between them; 12 and 6 first where they are there."""
    quarter = {round(float(angle), 6) % 360.0: at for at, angle in enumerate(sweep.angles_deg)}
    for start in sorted(angle for angle in quarter if angle < 90.0):
        four = [quarter.get((start + turn) % 360.0) for turn in (0.0, 180.0, 90.0, 270.0)]
        if None not in four:
            r = sweep.readings_um[[at for at in four if at is not None]]
            return float(r[0] + r[1] - r[2] - r[3])
    return None


def _closure_reason(closure_um: float | None, limit_um: float, unit: Unit) -> ReadAgain | None:
    if closure_um is None or abs(closure_um) <= limit_um + _NOTHING_UM:
        return None
    sentence = (
        f"Closure: the two pairs of opposite readings should add up to the same and differ by "
        f"{show_um(closure_um, unit)} (limit {show_um(limit_um, unit, signed=False)}), "
        f"so a reading is wrong or the surface is out of round: read it again."
    )
    return ReadAgain("closure", sentence, "readings_um", closure_um, limit_um)


def _return_reason(return_um: float | None, limit_um: float, unit: Unit) -> ReadAgain | None:
    if return_um is None or abs(return_um) <= limit_um + _NOTHING_UM:
        return None
    sentence = (
        f"Return: the first position read {show_um(return_um, unit)} different at the end "
        f"(limit {show_um(limit_um, unit, signed=False)}), "
        f"so the dial, its holder or the ram moved during the sweep: read it again."
    )
    return ReadAgain("return", sentence, "return_um", return_um, limit_um)


def _scatter_reason(quality: Quality, unit: Unit) -> ReadAgain | None:
    if quality.residual_sd_um is None:
        return None
    if quality.worst_um > quality.misread_limit_um:
        worst, limit = quality.worst_um, quality.misread_limit_um
        sentence = (
            f"Scatter: a reading lies {show_um(worst, unit, signed=False)} off a smooth sweep "
            f"(at most {show_um(limit, unit, signed=False)} is explained by the dial and the usual scatter), "
            f"so it is wrong or something is loose: read it again."
        )
        return ReadAgain("scatter", sentence, "readings_um", worst, limit)
    if quality.scatter.chance >= _UNUSUAL_CHANCE:
        return None
    usual = quality.noise.sd_um
    sentence = (
        f"Scatter: the readings lie {show_um(quality.residual_sd_um, unit, signed=False)} off a smooth sweep where "
        f"{show_um(usual, unit, signed=False)} is usual with this dial, "
        f"so a reading is wrong or something is loose: read it again."
    )
    return ReadAgain("scatter", sentence, "readings_um", quality.residual_sd_um, usual)
