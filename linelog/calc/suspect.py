"""Which single reading would explain a sweep that does not fit, and the slip of typing that it may be.

From eight positions on the other readings tell what each one should be: a reading is named where all others fit
without it, and without no other. With fewer the readings cannot tell (four give every position the same share of a
closure), so one is named only where a slip turns it into what would fit, and no other reading has such a slip.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
import scipy

from linelog.calc.dial import Dial, hang
from linelog.calc.harmonics import HarmonicFit, fit_harmonics
from linelog.calc.quality import ReadAgain
from linelog.calc.readings import Sweep, upright
from linelog.calc.units import Unit, from_um

NAMED_FROM = 8
_FITS_CHANCE = 0.01  # of the readings left, to scatter so: above it they fit
_CLEARLY_BETTER = 4.0  # in squares of the deviation: the next best explanation must be so much worse
_NEAR_SD = 2.0
_TELLING = 4.0  # a changed digit tells something where its place is worth so many times what is uncertain anyway


class Slip(Enum):
    """What makes the number typed out of the one that would fit."""

    SIGN = "sign"
    POINT = "decimal point"
    DIGIT = "digit"


@dataclass(frozen=True, slots=True)
class Suspect:
    """One reading, as the person saw and typed it.

    repeat      number of the sweep, from 1
    angle_deg   clock angle as it was read
    is_return   the first position read again at the end
    typed_um    what was typed; fits_um what would fit
    slip        how the one becomes the other, None where no slip does
    """

    repeat: int
    angle_deg: float
    is_return: bool
    typed_um: float
    fits_um: float
    slip: Slip | None


@dataclass(frozen=True, slots=True)
class _Candidate:
    suspect: Suspect
    left: float  # sum of squares that stays without it, in squares of the deviation of a reading


def find_suspect(
    dial: Dial, sweeps: Sequence[Sweep], sag_at_six_um: float, reasons: Sequence[ReadAgain], unit: Unit
) -> Suspect | None:
    """Return the one reading that explains why a sweep is to be read again; None where none, or more than one, does.

    dial, sweeps, sag_at_six_um  as for `work_up`
    reasons                      what `check_sweep` found
    unit                         the one the readings were typed in: a slip is one of its digits
    """
    codes = {reason.code for reason in reasons}
    if not codes:
        return None
    turned = [upright(sweep, dial.view, plunger_reversed=dial.plunger_reversed) for sweep in sweeps]
    angles = [sweep.angles_deg for sweep in turned]
    level = [sweep.readings_um - hang(sag_at_six_um, sweep.angles_deg) for sweep in turned]
    fit = fit_harmonics(angles, level)
    if codes == {"return"}:
        return _return_suspect(dial, sweeps, fit, unit)
    if fit.positions >= NAMED_FROM:
        return _outlier(dial, sweeps, fit, unit)
    if fit.positions == 4:  # the closure may be a misread: without lobes it shows at every position
        fit = fit_harmonics(angles, level, second=False)
    return _only_slip(one for one in _candidates(dial, sweeps, fit, unit))


def _candidates(dial: Dial, sweeps: Sequence[Sweep], fit: HarmonicFit, unit: Unit) -> Iterator[_Candidate]:
    sign = -1.0 if dial.plunger_reversed else 1.0
    sd, at = dial.noise.sd_um, 0
    squares = fit.residual_sd_um**2 * fit.residual_dof / sd**2
    for repeat, sweep in enumerate(sweeps, start=1):
        for angle, typed in zip(sweep.angles_deg, sweep.readings_um, strict=True):
            freedom, off = float(fit.freedom[at]), sign * float(fit.deleted_um[at])
            at += 1
            if freedom == 0.0:
                continue
            near = _NEAR_SD * sd / float(np.sqrt(freedom))
            slip = find_slip(typed, typed - off, near, unit)
            suspect = Suspect(repeat, angle, False, typed, _stepped(typed - off, dial), slip)
            yield _Candidate(suspect, squares - freedom * (off / sd) ** 2)


def _outlier(dial: Dial, sweeps: Sequence[Sweep], fit: HarmonicFit, unit: Unit) -> Suspect | None:
    """Return the reading without which all others fit, where no other comes near."""
    best, *others = sorted(_candidates(dial, sweeps, fit, unit), key=lambda one: one.left)
    fits = fit.residual_dof > 1 and scipy.special.chdtrc(fit.residual_dof - 1, max(best.left, 0.0)) > _FITS_CHANCE
    clear = not others or others[0].left - best.left > _CLEARLY_BETTER
    return best.suspect if fits and clear else None


def _only_slip(candidates: Iterator[_Candidate]) -> Suspect | None:
    found = [one.suspect for one in candidates if one.suspect.slip]
    return found[0] if len(found) == 1 else None


def _return_suspect(dial: Dial, sweeps: Sequence[Sweep], fit: HarmonicFit, unit: Unit) -> Suspect | None:
    """Return the return reading: the sweep fits without it. With few positions only where a slip explains it."""
    sure = fit.positions >= NAMED_FROM
    near = _NEAR_SD * np.sqrt(2.0) * dial.noise.sd_um
    limit = dial.noise.return_limit_um(0.0, len(sweeps))
    off = [
        (number, sweep)
        for number, sweep in enumerate(sweeps, start=1)
        if sweep.return_um is not None and abs(sweep.return_um - sweep.readings_um[0]) > limit
    ]
    if len(off) != 1 or off[0][1].return_um is None:
        return None
    repeat, sweep = off[0]
    back, first = float(sweep.return_um or 0.0), sweep.readings_um[0]
    slip = find_slip(back, first, float(near), unit)
    before = sum(len(one.readings_um) for one in sweeps[: repeat - 1])
    first_fits = abs(float(fit.deleted_um[before])) < abs(back - first) / 2.0
    return Suspect(repeat, sweep.angles_deg[0], True, back, first, slip) if slip or (sure and first_fits) else None


def find_slip(typed_um: float, fits_um: float, near_um: float, unit: Unit) -> Slip | None:
    """Return the slip of typing that makes `typed_um` of a number within `near_um` of `fits_um`; None without one."""

    def tells(other_um: float, least_um: float) -> bool:
        return abs(other_um - fits_um) <= near_um and abs(other_um - typed_um) >= least_um

    if tells(-typed_um, _TELLING * near_um):
        return Slip.SIGN
    if any(tells(typed_um * factor, _TELLING * near_um) for factor in (10.0, 0.1, 100.0, 0.01)):
        return Slip.POINT
    if any(tells(other, 0.0) for other in _other_digits(typed_um, _TELLING * near_um, unit)):
        return Slip.DIGIT
    return None


def _other_digits(typed_um: float, least_um: float, unit: Unit) -> Iterator[float]:
    """Yield the numbers (um) with one digit changed by `least_um` or more."""
    digits = [int(digit) for digit in f"{abs(from_um(typed_um, unit)):.{unit.decimals}f}".replace(".", "")]
    sign = -1.0 if typed_um < 0.0 else 1.0
    worth = [unit.um * 10.0 ** (len(digits) - 1 - unit.decimals - place) for place in range(len(digits))]
    first = next((place for place, digit in enumerate(digits) if digit), len(digits))  # what was typed, no noughts
    for digit, place_um in list(zip(digits, worth, strict=True))[first:]:
        if place_um >= least_um:
            yield from (typed_um + sign * (other - digit) * place_um for other in range(10) if other != digit)


def _stepped(value_um: float, dial: Dial) -> float:
    return round(value_um / dial.resolution_um) * dial.resolution_um
