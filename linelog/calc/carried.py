"""How far out a station was between two visits: carried from what the one left to what the next one found.

Nobody measures while the line runs. Between two visits the offset and the tilt are taken to move in a straight line
over the cans made, which is a convention and no measurement. Derived; no source.
"""

from dataclasses import dataclass

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.errors import CalcError


@dataclass(frozen=True, slots=True)
class Ends:
    """What k visits found or left at one place: offset and tilt as vectors, each as a share of its limit.

    offset, tilt  shape (k, 2); has_tilt (k,): where no tilt was measured its row holds zeros and is not used
    """

    offset: FloatArray
    tilt: FloatArray
    has_tilt: BoolArray


@dataclass(frozen=True, slots=True)
class Carried:
    """Severity at m positions, shape (m,); 0 where it is not `known`: before the first visit and after the last."""

    severity: FloatArray
    known: BoolArray


def carried(at: FloatArray, found: Ends, left: Ends, where: FloatArray, before: IntArray) -> Carried:
    """Severity of a place at positions between visits: the larger share of offset and tilt.

    at      shape (k,): cans made up to each visit, never falling
    where   shape (m,): cans made up to each position
    before  shape (m,): how many of the k visits came before each position
    A tilt that only one of the two visits measured is taken to have stayed as it was.
    """
    if not (np.isfinite(at).all() and np.isfinite(where).all()):
        raise CalcError("Cans made up to a visit must be a number.", field="at")
    if (np.diff(at) < 0.0).any():
        raise CalcError("The visits must come in the order of time.", field="at")
    known = (before > 0) & (before < len(at))
    one = before[known] - 1
    two = one + 1
    # Where nothing was made between two visits there is no way along: what was left stands.
    share = np.clip((where[known] - at[one]) / np.maximum(at[two] - at[one], 1.0), 0.0, 1.0)[:, None]
    offset = left.offset[one] * (1.0 - share) + found.offset[two] * share
    first = np.where(left.has_tilt[one][:, None], left.tilt[one], found.tilt[two])
    last = np.where(found.has_tilt[two][:, None], found.tilt[two], left.tilt[one])
    tilt = first * (1.0 - share) + last * share
    severity = np.zeros(len(where))
    severity[known] = np.maximum(np.hypot(*offset.T), np.hypot(*tilt.T))
    return Carried(severity, known)
