"""What leaving a machine as it stands is expected to cost: its offsets as they grow, and the rates that go with them.

Severity is offset over limit. The rates follow it as rate = level * ratio**severity, the form of the regression of
counts; what goes with misalignment need not be caused by it, so that a loss worked out here is one of association.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, not_negative, one_number
from linelog.calc.errors import CalcError

#: Beyond this the ratio is not carried on: nobody has run a machine so far out for long enough to know.
MOST_SEVERE = 3.0


def severities_ahead(places: ArrayLike, strokes_million: ArrayLike) -> FloatArray:
    """Root mean square offset over its limit of n places at k numbers of strokes each, shape (n, k).

    places  (n, 7): offset as left across and up, creep across and up, traces of the walk's and of the creep's own
            covariance, limit; um and um2 per million strokes. strokes_million (n, k), not negative.
    E|N(m, V)|^2 = |m|^2 + trace V, never above MOST_SEVERE. (Derived; a root mean square is a little above the mean.)
    """
    rows = np.asarray(places, dtype=np.float64).reshape(-1, 7)
    strokes = np.asarray(strokes_million, dtype=np.float64)
    if strokes.ndim != 2 or len(strokes) != len(rows):
        raise CalcError("Each place needs its strokes.", field="strokes_million")
    if not (np.isfinite(rows).all() and np.isfinite(strokes).all() and (rows[:, 6] > 0.0).all()):
        raise CalcError("Offsets, drift and limits must be usable numbers, the limits above zero.", field="places")
    if (strokes < 0.0).any():
        raise CalcError("Strokes cannot be negative.", field="strokes_million")
    x, y, creep_x, creep_y, walk, doubt, limit = (column[:, None] for column in rows.T)
    square = (x + creep_x * strokes) ** 2 + (y + creep_y * strokes) ** 2 + walk * strokes + doubt * strokes**2
    return np.asarray(np.minimum(np.sqrt(square) / limit, MOST_SEVERE))


@dataclass(frozen=True, slots=True)
class Running:
    """How a machine runs now: counts per million strokes at severity `severity`, and its strokes a week."""

    per_million: float
    severity: float
    strokes_a_week_million: float


def weekly_excess(running: Running, severity: ArrayLike, *, after: float, ratio: float) -> FloatArray:
    """Return counts beyond those of an aligned machine in each week, shape (k,) as the severities.

    severity  expected in each week if the machine is left; after: severity it is usually left at by an alignment
    ratio     of the rates for one unit more of severity, above zero (1.3: 30 % more)
    rate = running.per_million * ratio**(severity - running.severity), of which the share
    1 - ratio**(after - severity) would not be there. Never below zero: an alignment is not expected to do harm.
    """
    ahead = not_negative(severity, "Severities", "severity")
    now = one_number(running.severity, "The severity now", "severity", above=-1e-12)
    left = one_number(after, "The severity after an alignment", "after", above=-1e-12)
    million = one_number(running.strokes_a_week_million, "The strokes a week", "strokes_a_week_million", above=-1e-12)
    rate = one_number(running.per_million, "The rate", "per_million", above=-1e-12)
    return np.asarray(excess_ahead([[rate, now, million, left]], ahead[None], ratio=ratio)[0])


def excess_ahead(machines: ArrayLike, severity: ArrayLike, *, ratio: float) -> FloatArray:
    """`weekly_excess` of n machines in k weeks, shape (n, k) as the severities.

    machines  (n, 4): counts per million strokes, severity now, million strokes a week, severity after an alignment
    """
    rows = np.asarray(machines, dtype=np.float64).reshape(-1, 4)
    ahead = np.asarray(severity, dtype=np.float64)
    each = one_number(ratio, "The ratio of the rates", "ratio", above=0.0)
    if ahead.ndim != 2 or len(ahead) != len(rows):
        raise CalcError("Each machine needs its severities.", field="severity")
    for values, field in ((rows, "machines"), (ahead, "severity")):
        if not (np.isfinite(values).all() and (values > -1e-12).all()):
            raise CalcError("Rates, strokes and severities must be usable numbers from zero up.", field=field)
    per_million, now, million, after = (column[:, None] for column in rows.T)
    rate = per_million * each ** (ahead - now)
    return np.asarray(np.maximum(rate * million * (1.0 - each ** (after - ahead)), 0.0))
