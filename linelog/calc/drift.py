"""How a station creeps from visit to visit, in its plain figures, and when a machine is due.

A pair is the change from an as-left offset to the next as-found one, with the strokes between them and nothing moved.
Over s million strokes the offset changes by N(mean*s, cov*s): a steady creep and a random walk. Offsets are (across,
up) in micrometres, strokes in millions.
"""

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, numbers, one_number, positive, same_length
from linelog.calc.errors import CalcError

#: Pairs a station needs before its own drift is taken.
FEWEST_PAIRS = 3


@dataclass(frozen=True, slots=True)
class Drift:
    """Drift per million strokes.

    mean_um   (2,) creep; cov_um2 (2, 2) of the random walk; mean_cov_um2 (2, 2) of how well the creep is known
    pairs     that it rests on, over `strokes_million` in all
    """

    mean_um: FloatArray
    cov_um2: FloatArray
    mean_cov_um2: FloatArray
    pairs: int
    strokes_million: float


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
