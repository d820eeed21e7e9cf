"""Tooling sets held against one another: the rate of each beside the others, as machine, time and severity allow.

A set is worth as much as its counts in the same machines and times without it. Sets differ by chance and by
themselves (a random effect); one stands out where it lies farther from the others than they lie from one another.
Sources: Hedges & Vevea, Psychological Methods 3 (1998) 486 (random effects), as statsmodels has it; the score step
and leaving each out in turn: derived.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from linelog.calc.arrays import FloatArray, IntArray
from linelog.calc.clustered import Clustered, cleared

BAD_SET = 1.5  # times the rate of the others: what the power is told of
FEWEST_SETS = 5  # others to be held against. Own choice.
_OWN = 0.05  # share of a set's counts that its machines and times do not tell already: with less it is not told


@dataclass(frozen=True, slots=True)
class Against:
    """Counts with one tooling set against those expected with the others in its place, with interval.

    ratio  pulled to the others as far as chance explains it; low, high: 95 %; p: chance of lying so far from the
    others, two-sided, None where there are too few others; shown: under false-discovery control over the page
    apart  standard deviation of the logarithm of a set no worse than the others from theirs; None as p; dof: of its t
    """

    label: int
    counts: int
    cans: int
    expected: float
    ratio: float
    low: float
    high: float
    p: float | None = None
    shown: bool = False
    apart: float | None = None
    dof: int = 0


def against_others(
    counts: FloatArray, cans: FloatArray, fit: Clustered, severities: FloatArray, labels: Sequence[int]
) -> tuple[Against, ...]:
    """Hold each labelled set (0: none) against the others; rows as those of the fit.

    A set that its machines and times tell already is left out.

    The logarithm of a set's ratio is one Newton step from the fit without sets, its machines and times cleared out.
    """
    marks, w = np.array(labels, dtype=np.int64), fit.expected
    names = np.unique(marks[marks > 0])
    if not len(names):
        return ()
    columns = (marks[:, None] == names).astype(float)
    clear = cleared(columns, np.column_stack([severities, fit.others]), w)
    weight, whole = (clear**2 * w[:, None]).sum(axis=0), (columns * w[:, None]).sum(axis=0)
    told = weight > _OWN * whole
    if not told.any():
        return ()
    names, clear, weight = names[told], clear[:, told], weight[told]
    step = (clear * (counts - w)[:, None]).sum(axis=0) / weight
    log = np.log1p(np.maximum(step, -0.9))
    chance = max(fit.dispersion, 1.0) / weight
    found = [_one(number, names, log, chance) for number in range(len(names))]
    return tuple(
        replace(
            one,
            counts=int(counts[marks == one.label].sum()),
            cans=int(cans[marks == one.label].sum()),
            expected=float(w[marks == one.label].sum()),
        )
        for one in found
    )


def _one(number: int, names: IntArray, log: FloatArray, chance: FloatArray) -> Against:
    label, own, doubt = int(names[number]), float(log[number]), float(chance[number])
    others = np.arange(len(log)) != number
    if others.sum() < FEWEST_SETS:
        reach = 1.96 * doubt**0.5
        return _against(label, own, reach, None)
    from statsmodels.stats.meta_analysis import combine_effects

    pooled = combine_effects(log[others], chance[others], method_re="iterated", use_t=True)
    between, mean, se = max(float(pooled.tau2), 0.0), float(pooled.mean_effect_re), float(pooled.sd_eff_w_re)
    dof = int(others.sum()) - 1
    apart = (between + doubt + se**2) ** 0.5
    p = float(2.0 * scipy.stats.t.sf(abs(own - mean) / apart, dof))
    whole = combine_effects(log, chance, method_re="iterated", use_t=True)
    kept = max(float(whole.tau2), 0.0) / (max(float(whole.tau2), 0.0) + doubt)
    shrunk, sd = kept * (own - mean), (kept * doubt + se**2) ** 0.5
    reach = float(scipy.stats.t.isf(0.025, dof)) * sd
    return replace(_against(label, shrunk, reach, p), apart=float(apart), dof=dof)


def _against(label: int, log: float, reach: float, p: float | None) -> Against:
    ratio, low, high = np.exp([log, log - reach, log + reach]).tolist()
    return Against(label, 0, 0, 0.0, ratio, low, high, p)


def power(sets: Sequence[Against], share: float) -> float | None:
    """Return the chance that a set `BAD_SET` times as bad as the others is shown, in the mean of the sets.

    share  of false claims (Benjamini & Hochberg); the set is taken to be the only one to stand out. None where no set
    is held against others.
    """
    told = [(one.apart, one.dof) for one in sets if one.apart is not None and one.p is not None]
    if not told:
        return None
    apart, dof = np.array(told).T
    edge = scipy.stats.t.isf(share / len(told) / 2.0, dof)
    return float(scipy.stats.nct.sf(edge, dof, np.log(BAD_SET) / apart).mean())
