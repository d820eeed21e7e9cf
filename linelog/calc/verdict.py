"""In, out, or not proven: the decision rule of ISO 14253-1, with the uncertainty of the measurement."""

import math
from dataclasses import dataclass
from enum import Enum

from linelog.calc import require
from linelog.calc.errors import CalcError

# So that a severity is always a usable number, in um as in mm/m.
_LEAST = 1e-6
_MOST = 1e6


class Verdict(Enum):
    """What a measurement proves about a limit."""

    IN = "in"
    OUT = "out"
    NOT_PROVEN = "not proven"


WORST_FIRST = (Verdict.OUT, Verdict.NOT_PROVEN, Verdict.IN)


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict with its figures; `severity` is size/limit, above 1 beyond the limit."""

    verdict: Verdict
    severity: float
    size: float
    expanded: float
    limit: float


def judge(size: float, expanded: float, limit: float) -> Judged:
    """Judge the size of an offset (um) or a tilt (mm/m) against its limit; all three in one unit.

    'in' where size + U <= limit, 'out' where size - U > limit; between them 'not proven', which asks for more
    readings and not for a move. The limit is one of OFFSET: halve a full indicator reading first. Raises `CalcError`
    for a limit that is not above zero and for a size or U that is negative or not finite.
    """
    check_limit(limit)
    require.numbers([size, expanded], "An offset or tilt and its uncertainty", "size", 0.0, _MOST)
    if size + expanded <= limit:
        verdict = Verdict.IN
    elif size - expanded > limit:
        verdict = Verdict.OUT
    else:
        verdict = Verdict.NOT_PROVEN
    return Judged(verdict, size / limit, size, expanded, limit)


def check_limit(limit: float, *, field: str = "limit") -> float:
    """Return the limit if it is above zero and finite; else raise `CalcError`."""
    if not (math.isfinite(limit) and limit >= _LEAST):
        raise CalcError("A limit must be above zero.", field=field)
    return limit
