"""How a station wanders between visits, the chance that it is out, and when it is due.

A pair is the change from an as-left offset to the next as-found one, with the strokes between them and nothing moved.
Over s million strokes the offset changes by N(mean*s, cov*s): a steady creep and a random walk. Offsets are (across,
up) in micrometres, strokes in millions.
"""

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, numbers, one_number, positive, same_length
from linelog.calc.errors import CalcError
from linelog.calc.radial import chance_outside

#: Pairs a station needs before its own drift is taken.
FEWEST_PAIRS = 3
_STEPS = 200  # of the search for the first time that the risk is reached
_LOOKED_AT = (20, 60)  # steps after which it stops where the risk was reached already, as it mostly is


@dataclass(frozen=True, slots=True)
class Drift:
    """Drift per million strokes.

    mean_um   (2,) creep; cov_um2 (2, 2) of the random walk; mean_cov_um2 (2, 2) of how well the creep is known
    pairs     that it rests on, over `strokes_million` in all
    pooled    True where the pairs are the whole line's, since the station has fewer than three of its own
    """

    mean_um: FloatArray
    cov_um2: FloatArray
    mean_cov_um2: FloatArray
    pairs: int
    strokes_million: float
    pooled: bool = False


@dataclass(frozen=True, slots=True)
class Pairs:
    """Changes of (across, up) from as-left to the next as-found, shape (n, 2), and strokes between, shape (n,)."""

    change_um: FloatArray
    strokes_million: FloatArray

    @classmethod
    def of(cls, across_um: ArrayLike, up_um: ArrayLike, strokes_million: ArrayLike) -> "Pairs":
        """Check pairs from three columns of shape (n,), n >= 0; strokes must be above zero."""
        if np.size(strokes_million) == 0:
            return cls(np.empty((0, 2)), np.empty(0))
        across, up = numbers(across_um, "Changes across", "across_um"), numbers(up_um, "Changes up", "up_um")
        strokes = positive(strokes_million, "Strokes between two visits", "strokes_million")
        same_length([across, up, strokes], "strokes_million")
        return cls(np.column_stack([across, up]), strokes)


def fit_drift(pairs: Pairs, *, reading_u_um: float = 0.0) -> Drift:
    """Drift of n >= 3 pairs.

    reading_u_um  standard uncertainty of an offset in each direction. A change holds it twice, and so much is taken
                  off the scatter, never below zero.
    For a random walk with creep the likeliest creep is all change over all strokes, and the scatter of the residuals,
    each over its strokes, on n - 1 degrees of freedom gives the walk (increments of a Wiener process; derived).
    """
    count, strokes = len(pairs.strokes_million), pairs.strokes_million
    if count < FEWEST_PAIRS:
        raise CalcError(f"A drift needs {FEWEST_PAIRS} pairs of visits and there are {count}.", field="pairs")
    noise = 2.0 * one_number(reading_u_um, "The uncertainty of an offset", "reading_u_um", above=-1e-12) ** 2
    total = float(strokes.sum())
    mean = pairs.change_um.sum(axis=0) / total
    residual = (pairs.change_um - strokes[:, None] * mean) / np.sqrt(strokes)[:, None]
    by_reading = noise * (float((1.0 / strokes).sum()) - count / total)
    cov = _not_negative((residual.T @ residual - by_reading * np.eye(2)) / (count - 1))
    return Drift(mean, cov, cov / total + noise * count / total**2 * np.eye(2), count, total)


def station_drift(own: Pairs, line: Pairs, *, reading_u_um: float = 0.0) -> Drift:
    """Take the station's own drift, or with fewer than three pairs that of all such stations of the line, marked.

    line  pairs of the line's stations of this kind, the station's own among them. Their scatter holds how machines
          differ, so that a pooled drift is the less certain one. Fewer than three there too raise `CalcError`.
    """
    if len(own.strokes_million) >= FEWEST_PAIRS:
        return fit_drift(own, reading_u_um=reading_u_um)
    if len(line.strokes_million) < FEWEST_PAIRS:
        raise CalcError(
            f"The whole line has {len(line.strokes_million)} pairs of visits for this station, and a drift needs "
            f"{FEWEST_PAIRS}: the time limit alone says when it is due.",
            field="pairs",
        )
    return replace(fit_drift(line, reading_u_um=reading_u_um), pooled=True)


@dataclass(frozen=True, slots=True)
class Start:
    """Where a station was left: offset (across, up), and the standard uncertainty in each direction."""

    across_um: float
    up_um: float
    u_um: float = 0.0


def chance_out(drift: Drift, start: Start, strokes_million: ArrayLike, limit_um: float) -> FloatArray:
    """Chance that the offset is beyond its limit after so many million strokes, shape (k,) as the strokes.

    P(|N(start + mean*s, cov*s + u^2 + mean_cov*s^2)| > limit): the last term is the doubt about the creep itself,
    which grows faster than the walk. The walk is taken as known: on simulated stations a chance of 0.2 is right to
    0.04 from three pairs on, while one below 0.05 is too small (0.18 for 0.02 with three pairs, 0.09 for 0.03 with
    ten).
    """
    strokes = numbers(strokes_million, "Strokes", "strokes_million")
    if (strokes < 0.0).any():
        raise CalcError("Strokes cannot be negative.", field="strokes_million")
    first = numbers([start.across_um, start.up_um, start.u_um], "The offset as left and its uncertainty", "start")
    s = strokes[:, None, None]
    cov = first[2] ** 2 * np.eye(2) + drift.cov_um2 * s + drift.mean_cov_um2 * s**2
    return chance_outside(first[:2] + drift.mean_um * strokes[:, None], cov, limit_um)


@dataclass(frozen=True, slots=True)
class Due:
    """When the risk is reached: millions of strokes after the visit (None beyond the horizon), and the chance now."""

    strokes_million: float | None
    chance_now: float


def due_strokes(
    drift: Drift, start: Start, limit_um: float, *, risk: float, done_million: float = 0.0, horizon_million: float
) -> Due:
    """First number of strokes at which the chance of being out reaches `risk`.

    risk             between 0 and 1 (0.2 for 20 %)
    done_million     strokes since the visit, for the chance now; horizon_million: how far to look, above zero
    The chance may fall before it rises, where a station creeps through the centre, so the first crossing is searched
    for from zero on.
    """
    wanted = one_number(risk, "The risk", "risk", above=0.0, below=1.0)
    farthest = one_number(horizon_million, "The horizon", "horizon_million", above=0.0)
    now = float(chance_out(drift, start, done_million, limit_um)[0])
    strokes = np.linspace(0.0, farthest, _STEPS + 1)
    first = 0
    for part in np.split(strokes, _LOOKED_AT):
        reached = chance_out(drift, start, part, limit_um) >= wanted
        if reached.any():
            first += int(np.argmax(reached))
            break
        first += len(part)
    else:
        return Due(None, now)
    if first == 0:
        return Due(0.0, now)

    def over(s: float) -> float:
        return float(chance_out(drift, start, s, limit_um)[0]) - wanted

    return Due(float(scipy.optimize.brentq(over, strokes[first - 1], strokes[first], xtol=1e-9 * farthest)), now)


class DueBy(Enum):
    """What makes a machine due."""

    OUT = "out as it stands"
    TRIGGER = "something happened"
    RISK = "risk of being out"
    TIME = "time since the last visit"
    RUNNING = "probably out when running: to be measured"


@dataclass(frozen=True, slots=True)
class DueDay:
    """Whole days from today until a machine is due (0 where it is due already), and by what."""

    days: int
    by: DueBy


def due_day(
    *, strokes_left_million: float | None, strokes_a_day_million: float, days_left: int, triggered: bool
) -> DueDay:
    """Find the earliest of trigger (at once), risk, and time limit.

    strokes_left_million   until the risk is reached, negative where it has passed; None where it is not in sight
    strokes_a_day_million  above zero for the risk to come nearer at all; days_left to the time limit, may be negative
    """
    if triggered:
        return DueDay(0, DueBy.TRIGGER)
    time_limit = max(0, days_left)
    rate = one_number(strokes_a_day_million, "The strokes a day", "strokes_a_day_million", above=-1e-12)
    if strokes_left_million is None or (rate <= 0.0 < strokes_left_million):
        return DueDay(time_limit, DueBy.TIME)
    left = one_number(strokes_left_million, "The strokes left", "strokes_left_million")
    by_risk = 0 if left <= 0.0 else int(min(left / rate, float(time_limit)))
    return DueDay(by_risk, DueBy.RISK) if by_risk < time_limit or left <= 0.0 else DueDay(time_limit, DueBy.TIME)


def _not_negative(cov: FloatArray) -> FloatArray:
    """Nearest covariance without a negative variance in any direction."""
    variances, axes = np.linalg.eigh(cov)
    return np.asarray((axes * np.maximum(variances, 0.0)) @ axes.T)
