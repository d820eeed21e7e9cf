"""Problems that come back: how often a station is found out, which way, and with what.

The thresholds of the patterns are common practice without a source: they point to where to look first, no more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import median

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, numbers, same_length
from linelog.calc.directions import FEWEST, Directions, agreement, apart_deg, directions_deg
from linelog.calc.errors import CalcError

_AGREE_P = 0.05
_SCATTER_P = 0.3
_UPRIGHT_DEG = 45.0
_MOST_EXACT = 7  # pairs of values whose 5,040 orders are all tried


class Pattern(Enum):
    """Which way a station is found out."""

    SAME_WAY = "the same way each time"
    SCATTERED = "a different way each time"
    NOT_CLEAR = "no clear direction yet"

    @property
    def usually(self) -> str:
        """What it usually means: hypotheses to check, not a diagnosis."""
        return _USUALLY[self]


_USUALLY = {
    Pattern.SAME_WAY: "a mount that settles, fasteners, the base",
    Pattern.SCATTERED: "clearance, wear, or the measurement itself",
    Pattern.NOT_CLEAR: "more visits are needed to tell",
}


@dataclass(frozen=True, slots=True)
class AsFound:
    """A station as one visit found it: offset, whether beyond its limit, and strokes since it was last left.

    by_tilt  out by its tilt alone: it counts, but the offset's direction says nothing of it
    """

    across_um: float
    up_um: float
    out: bool
    strokes_million: float | None = None
    by_tilt: bool = False

    @property
    def points(self) -> bool:
        """Whether it is out and its offset points somewhere."""
        return self.out and not self.by_tilt and (self.across_um != 0.0 or self.up_um != 0.0)


@dataclass(frozen=True, slots=True)
class Repeat:
    """What the last visits say of a station.

    repeats           out at least as often as the rule asks
    out, visits       times out among the visits looked at
    directions        agreement of the directions it was out in; None where there are none
    comes_back_million  median strokes after which it was found out again; None where not known
    """

    repeats: bool
    out: int
    visits: int
    pattern: Pattern
    directions: Directions | None
    comes_back_million: float | None


def repeat_problem(visits: Sequence[AsFound], *, out_of: int = 3, last: int = 5) -> Repeat:
    """Apply the rule 'out on `out_of` of the `last` as-found visits' to a station's visits, the newest last.

    With fewer visits than `last` those there are count. The direction is the same each time where the Rayleigh test
    says so (5 %), scattered where chance would do as well (p above 0.3), and not clear between or with fewer than
    three.
    """
    if not 1 <= out_of <= last:
        raise CalcError("The rule must ask for at least one visit, and for no more than it looks at.", field="out_of")
    recent = list(visits)[-last:]
    out = [visit for visit in recent if visit.out]
    found, pointing = None, [visit for visit in out if visit.points]
    if pointing:
        angles = directions_deg([visit.across_um for visit in pointing], [visit.up_um for visit in pointing])
        found = agreement(angles)
    strokes = [visit.strokes_million for visit in out if visit.strokes_million is not None]
    return Repeat(
        repeats=len(out) >= out_of,
        out=len(out),
        visits=len(recent),
        pattern=_pattern(found),
        directions=found,
        comes_back_million=median(strokes) if strokes else None,
    )


def _pattern(found: Directions | None) -> Pattern:
    if found is None or found.p is None or _AGREE_P <= found.p <= _SCATTER_P:
        return Pattern.NOT_CLEAR
    return Pattern.SAME_WAY if found.p < _AGREE_P else Pattern.SCATTERED


class Together(Enum):
    """Whether the stations of a machine have gone off as one, as seen from the ram line."""

    UP = "all up: the ram has gone down"
    DOWN = "all down: the ram has gone up, or the bed has settled"
    SIDEWAYS = "all to one side"
    APART = "each its own way"
    TOO_FEW = "too few stations to tell"


def together(across_um: ArrayLike, up_um: ArrayLike) -> Together:
    """Whether the as-found offsets of one machine's stations, shape (n,), point one way (Rayleigh, 5 %).

    An offset is the component's centre less the ram line: worn bushings let the ram down, and every station then
    reads up. Stations on the ram line to the last digit say nothing and are left out.
    """
    x, y = numbers(across_um, "Offsets across", "across_um"), numbers(up_um, "Offsets up", "up_um")
    same_length([x, y], "up_um")
    off = np.hypot(x, y) > 0.0
    if off.sum() < FEWEST:
        return Together.TOO_FEW
    found = agreement(directions_deg(x[off], y[off]))
    if found.p is None or found.p >= _AGREE_P or found.mean_deg is None:
        return Together.APART
    if apart_deg(found.mean_deg, 0.0) <= _UPRIGHT_DEG:
        return Together.UP
    return Together.DOWN if apart_deg(found.mean_deg, 180.0) <= _UPRIGHT_DEG else Together.SIDEWAYS


@dataclass(frozen=True, slots=True)
class Follows:
    """Spearman's rank correlation of two columns, and its two-sided p."""

    rho: float
    p: float
    n: int


def follows(values: ArrayLike, other: ArrayLike) -> Follows:
    """Whether offsets (or any values) go up and down with another column such as temperature, both of shape (n,).

    n >= 4; up to seven pairs p is exact, over all orders, above that from Student's t. A column that is the same
    throughout raises `CalcError`.
    """
    x, y = numbers(values, "Values", "values", least=4), numbers(other, "The other values", "other", least=4)
    same_length([x, y], "other")
    for column, field in ((x, "values"), (y, "other")):
        if np.ptp(column) == 0.0:
            raise CalcError("One of the two never changes, so nothing can go with it.", field=field)
    rho = float(scipy.stats.spearmanr(x, y).statistic)
    p = _exact_p(x, y) if len(x) <= _MOST_EXACT else float(scipy.stats.spearmanr(x, y).pvalue)
    return Follows(rho, p, len(x))


def _exact_p(x: FloatArray, y: FloatArray) -> float:
    ranks = scipy.stats.rankdata(y)

    def covariance(order: FloatArray, axis: int) -> FloatArray:  # goes with rho, since ranks keep mean and spread
        return np.asarray(((order - order.mean(axis=axis, keepdims=True)) * (ranks - ranks.mean())).sum(axis=axis))

    test = scipy.stats.permutation_test(
        (scipy.stats.rankdata(x),), covariance, permutation_type="pairings", n_resamples=6000, vectorized=True
    )
    return float(test.pvalue)
