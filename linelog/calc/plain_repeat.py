"""Two visits that are evidence enough: found far out twice in a row, the same way, after being set well inside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import scipy

from linelog.calc.directions import apart_deg

#: Least chance that is taken for chance. A machine is judged some thirty times a year (six stations, five visits), so
#: chance alone tells 0.03 repeats a machine-year.
LEVEL = 0.001
WELL_INSIDE = 0.6  # of the limit: common practice, no source
SAME_WAY_DEG = 90.0
_NEAREST_DEG = 10.0  # no direction of an offset is known better
_FEWEST = 20  # with fewer visits the plant's usual is not known


@dataclass(frozen=True, slots=True)
class Usual:
    """How stations like it are usually found: how many times, and the least shares of the limit beyond 1."""

    found: int
    beyond: tuple[float, ...]

    def chance_beyond(self, share: float) -> float:
        """Chance of one visit finding a station at least so far out; never nought, since nobody has seen enough."""
        return (sum(one >= share for one in self.beyond) + 1) / (self.found + 1)


@dataclass(frozen=True, slots=True)
class Seen:
    """A visit to a station.

    least        offset less its expanded uncertainty, as a share of the limit
    toward_deg   clock angle of the offset; None where it points nowhere
    set_inside   whether the visit before left it within `WELL_INSIDE` of the limit
    """

    least: float
    toward_deg: float | None
    set_inside: bool


@dataclass(frozen=True, slots=True)
class Plain:
    """Two visits in a row: each found it at `share` of the limit or further; `chance` of that by luck."""

    share: float
    chance: float

    @property
    def is_plain(self) -> bool:
        """Whether chance is no explanation."""
        return self.chance < LEVEL


def plain_pairs(visits: Sequence[Seen], usual: Usual, *, last: int = 5) -> list[Plain | None]:
    """For each visit, the oldest first, what it and the one before it say together; None where they say nothing.

    The chance is that of two such visits or more among the last `last` (binomial, each with the share of the plant's
    other visits that found a station at least as far out), times that of two directions being so near each other.
    """
    found: list[Plain | None] = [None] * len(visits)
    if usual.found < _FEWEST:
        return found
    for at in range(1, len(visits)):
        before, now = visits[at - 1], visits[at]
        share = min(before.least, now.least)
        if share <= 1.0 or not now.set_inside or before.toward_deg is None or now.toward_deg is None:
            continue
        apart = apart_deg(before.toward_deg, now.toward_deg)
        if apart > SAME_WAY_DEG:
            continue
        twice = float(scipy.stats.binom.sf(1, min(at + 1, last), usual.chance_beyond(share)))
        found[at] = Plain(share, twice * max(apart, _NEAREST_DEG) / 180.0)
    return found
