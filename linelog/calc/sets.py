"""Tooling sets held against one another: the rate of each beside the others, as machine, time and severity allow.

A set is worth as much as its counts in the same machines and times without it. Sets differ by chance and by
themselves (a random effect); one stands out where it lies farther from the others than they lie from one another.
Sources: Breslow & Clayton, J. Am. Stat. Assoc. 88 (1993) 9 (random effects of counts by penalised quasi-likelihood,
Henderson's equations); Hedges & Vevea, Psychological Methods 3 (1998) 486, as statsmodels has it; leaving each out in
turn: derived.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from linelog.calc.arrays import FloatArray, IntArray
from linelog.calc.clustered import Clustered

BAD_SET = 1.5  # times the rate of the others: what the power is told of
FEWEST_SETS = 5  # others to be held against. Own choice.
_USUAL2, _LEAST2 = 0.1**2, 0.01**2  # how unlike sets are: to begin with, and at least. Own choice.
#: Sets differ by 3 % at least, whatever was found: less is nobody's concern, and where sets look quite alike what
#: machines do for weeks passed for a set that stands out (7 of 71 pages of plants made by somebody else).
_ALIKE2 = 0.03**2
_ROUNDS = 25
_SANE = (-50.0, 50.0)  # logarithms of counts
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
    The logarithm of a set's ratio is what its own counts say of it, with all other sets allowed to differ.
    """
    marks = np.array(labels, dtype=np.int64)
    names = np.unique(marks[marks > 0])
    if not len(names):
        return ()
    columns = (marks[:, None] == names).astype(float)
    joint = _together(counts, fit, np.column_stack([severities, fit.others]), columns)
    told = joint.known > _OWN * (columns * joint.expected[:, None]).sum(axis=0) / joint.dispersion
    names, log, chance = names[told], joint.log[told], 1.0 / joint.known[told]
    found = [_one(number, names, log, chance) for number in range(len(names))]
    return tuple(
        replace(
            one,
            counts=int(counts[marks == one.label].sum()),
            cans=int(cans[marks == one.label].sum()),
            expected=float(joint.expected[marks == one.label].sum()),
        )
        for one in found
    )


@dataclass(frozen=True, slots=True)
class _Joint:
    """All sets fitted at once. log, known (k,): each by its own counts, and how well (one over its variance).

    expected (n,): fitted counts with a usual set in the place of each
    """

    log: FloatArray
    known: FloatArray
    expected: FloatArray
    dispersion: float


def _together(counts: FloatArray, fit: Clustered, fixed: FloatArray, columns: FloatArray) -> _Joint:
    """Fit the sets as random effects beside fixed columns (n, p): a bad one is else laid to its machines in part."""
    scale = np.maximum(np.sqrt((fixed**2 * fit.expected[:, None]).sum(axis=0)), 1e-12)
    x, (p, k) = np.column_stack([fixed / scale, columns]), (fixed.shape[1], columns.shape[1])
    start, coefficients = np.log(np.maximum(fit.expected, 1e-12)), np.zeros(p + k)
    usual = between = _USUAL2
    dispersion, mean = max(fit.dispersion, 1.0), fit.expected
    for _ in range(_ROUNDS):
        usual = between
        weighted = x * mean[:, None]
        within = weighted.T @ x
        within[np.diag_indices(p)] += 1e-9 * np.trace(within) / len(within)
        within[range(p, p + k), range(p, p + k)] += dispersion / usual
        inverse = scipy.linalg.inv(within)
        coefficients = inverse @ (weighted.T @ (x @ coefficients) + x.T @ (counts - mean))
        unsure = dispersion * np.diag(inverse)[p:]
        mean = np.exp(np.clip(start + x @ coefficients, *_SANE))
        free = len(counts) - p - k + float(unsure.sum()) / usual
        dispersion = max(float(((counts - mean) ** 2 / mean).sum()) / max(free, 1.0), 1.0)
        own = coefficients[p:]
        between = max(float((own**2 + unsure).mean()), _LEAST2)
    # What is known of a set by itself is what is known of it less what is known of sets.
    known = np.maximum(1.0 / unsure - 1.0 / usual, 1e-9)
    return _Joint(own / unsure / known, known, mean * np.exp(-(columns @ own)), dispersion)


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
    apart = (max(between, _ALIKE2) + doubt + se**2) ** 0.5
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
