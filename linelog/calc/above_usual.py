"""Counts of machines by period that stand above what is usual: against the others of their line, or their own past.

Machines differ, months differ, and lots of metal go over a whole line; none of that is a problem of one machine. So a
count is held against those of its line's other machines in the same period, with the scatter that machines of the
plant show among themselves, and besides against what the machine itself had before, with the scatter that is left
then. Both are exact: given the sum of two counts, the one is binomial with its share of what was made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy

from linelog.calc.arrays import BoolArray, FloatArray, counts_of, not_negative, one_number

#: Chance that is no chance in one period. Three of five so, and two ways of looking, come to less than 0.05 false
#: problems a machine-year for plants with up to a dozen causes: `tests/bench/bench_monthly.py` prints it.
LEVEL = 0.005
#: The same where so few are expected that machines hardly differ beside chance: a month alone then proves little.
LEVEL_OF_FEW, FEW = 0.03, 5.0
#: Periods before the last ones that make a past of one's own.
FEWEST_BEFORE = 4
_FEWEST_ALIKE = 3  # machines of a line; with fewer, the whole plant's are its others
_TRIM = 0.1  # of either end of the scores, so that the bad machines do not widen what they are held against


@dataclass(frozen=True, slots=True)
class Above:
    """Arrays (machines, periods).

    above     whether chance explains no such count
    expected  at the rate of the line's others
    wide      how far counts scatter about that, each at its own level, as a share of Poisson counts
    """

    above: BoolArray
    expected: FloatArray
    wide: float


def above_usual(counts: FloatArray, made: FloatArray, lines: Sequence[int], *, last: int = 5) -> Above:
    """Judge counts (machines, periods), the newest last; `made` the same shape, `lines` names each machine's line.

    The own past is that before the `last` periods, and judges these alone. Where nothing was made, nothing is above.
    What is no count, or made less than nothing, raises `CalcError`.
    """
    counts, made = np.asarray(counts, dtype=float), np.asarray(made, dtype=float)
    if counts.size:
        counts_of(counts.ravel(), least=1)
        one_number(
            float(not_negative(made.ravel(), "What was made", "made").sum()), "What was made", "made", below=1e15
        )
    others, made_by_others = _others(counts, np.asarray(lines)), _others(made, np.asarray(lines))
    known = (made > 0.0) & (made_by_others > 0.0)
    rate = np.divide(others, made_by_others, out=np.zeros_like(others), where=known)
    among = overspread(counts, rate * made)
    level = np.where((rate * made).mean(axis=1, keepdims=True) < FEW, LEVEL_OF_FEW, LEVEL)
    share = np.divide(made, made + made_by_others, out=np.zeros_like(made), where=known)
    above = known & (_chance(counts, others, share, among) < level)
    own = rate * made * (counts.sum(axis=1, keepdims=True) + 1.0) / ((rate * made).sum(axis=1, keepdims=True) + 1.0)
    wide = overspread(counts, own)
    if counts.shape[1] >= last + FEWEST_BEFORE:
        before, now = (rate * made)[:, :-last].sum(axis=1, keepdims=True), (rate * made)[:, -last:]
        part = np.divide(now, now + before, out=np.zeros_like(now), where=now + before > 0.0)
        had = np.broadcast_to(counts[:, :-last].sum(axis=1, keepdims=True), now.shape)
        above[:, -last:] |= (now > 0.0) & (_chance(counts[:, -last:], had, part, wide) < level)
    return Above(above, rate * made, wide)


def _others(table: FloatArray, lines: np.ndarray[tuple[int], np.dtype[np.int_]]) -> FloatArray:
    """Add up, for every machine, the rows of its line's other machines."""
    found = table.sum(axis=0) - table
    for line in np.unique(lines):
        mine = lines == line
        if mine.sum() >= _FEWEST_ALIKE:
            found[mine] = table[mine].sum(axis=0) - table[mine]
    return np.asarray(found)


def _chance(counts: FloatArray, others: FloatArray, share: FloatArray, wide: float) -> FloatArray:
    """Chance of at least these counts given the sum of both, each divided by how far counts scatter."""
    mine = np.floor(counts / wide)
    return np.asarray(scipy.stats.binom.sf(mine - 1.0, mine + np.round(others / wide), share))


def overspread(counts: FloatArray, expected: FloatArray) -> float:
    """How far counts of machines scatter about their expectation, as a share of Poisson counts; 1 or more.

    The mean square of the standardised counts after the outer tenth of either end is drawn in (winsorised), over what
    that leaves of a normal distribution's. Source: Spiegelhalter, Statistics in Medicine 24 (2005) 1185, section 4.1.
    """
    some = expected >= 1.0
    if some.sum() < 10:
        return 1.0
    scores = (counts[some] - expected[some]) / np.sqrt(expected[some])
    drawn_in = np.asarray(scipy.stats.mstats.winsorize(scores, limits=(_TRIM, _TRIM)))
    return max(1.0, float(np.mean(drawn_in**2) / _left_of_normal()))


@cache
def _left_of_normal() -> float:
    """Mean square of normal scores that were drawn in alike."""
    edge = scipy.stats.norm.ppf(1.0 - _TRIM)
    return float(scipy.stats.norm.expect(lambda score: np.clip(score, -edge, edge) ** 2))
