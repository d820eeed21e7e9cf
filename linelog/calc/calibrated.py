"""The effect of misalignment on a rate with the error of measurement taken out: regression calibration.

The severity measured is the true one and an error, so its effect looks smaller than it is. In its place stands what
the severity is expected to have been (`offset_path`), and its effect is one unit of the true one. The doubt of the
error and of the wandering is carried by drawing both anew (multiple imputation, Rubin's rule).
Sources: Carroll, Ruppert, Stefanski & Crainiceanu, Measurement Error in Nonlinear Models, ch. 4; Rubin, Multiple
Imputation for Nonresponse in Surveys, ch. 3. The rest derived.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy

from linelog.calc.arrays import BoolArray, FloatArray
from linelog.calc.clustered import Clustered, Counted, fit_clustered
from linelog.calc.errors import CalcError
from linelog.calc.offset_path import Expected, Looks, Spans, Wander, expected_severities

IMPUTED = 6
CALLED = 3.0
OF_VISIT = 3
_WIDEST, _FARTHEST = 10.0, 50.0
LEVEL = 0.95
#: The correction leans on a model of how stations wander: parts of its size and of the effect are added to the doubt.
#: On plants of two makers the expected severity told the true one with slopes of 0.91 to 1.03. Own choice.
MODEL_DOUBT, PATH_DOUBT = 0.15, 0.09
_SEED = 7


@dataclass(frozen=True, slots=True)
class Severities:
    """Expected severities of groups of stations in n pieces.

    fitted  of each group; again: the same with the wandering drawn anew, `IMPUTED` times
    error   standard deviation of one measured component, in limits, by kind of station
    """

    fitted: tuple[Expected, ...]
    again: tuple[tuple[Expected, ...], ...]
    error: dict[int, float]

    @classmethod
    def of(
        cls, spans: Spans, looks: Looks, wander: dict[int, Wander], groups: Sequence[Sequence[int]], pieces: int
    ) -> "Severities":
        """Work out those of groups of kinds from how they wander (`fit_kinds`)."""
        rng = np.random.default_rng(_SEED)
        drawn = [{kind: one.drawn(rng) for kind, one in wander.items()} for _ in range(IMPUTED)]

        def work(one: dict[int, Wander]) -> tuple[Expected, ...]:
            return tuple(expected_severities(spans, one, looks, groups, pieces))

        return cls(work(wander), tuple(map(work, drawn)), {kind: one.error for kind, one in wander.items()})

    def pick(self, groups: Sequence[int], chosen: Any) -> "Severities":
        """Return some groups in some pieces."""
        fitted, *again = (tuple(one[group].where(chosen) for group in groups) for one in (self.fitted, *self.again))
        return Severities(fitted, tuple(again), self.error)

    @property
    def known(self) -> BoolArray:
        """Return in which pieces every group is known, shape (n,)."""
        return np.asarray(~np.any([np.isnan(one.mean) for one in self.fitted], axis=0))


@dataclass(frozen=True, slots=True)
class Corrected:
    """Ratio of the rates for one limit of the offset of a group of stations, with its interval by t.

    se  of the logarithm; by_scatter, by_error: its parts, of the counts and of what is unsure of the wandering
    p   two-sided chance of an effect as large if there were none
    """

    ratio: float
    low: float
    high: float
    se: float
    p: float
    dof: int
    by_scatter: float
    by_error: float


@dataclass(frozen=True, slots=True)
class Effects:
    """Effects of groups fitted together, the fit, and the severities that were put in, shape (n, groups)."""

    corrected: tuple[Corrected, ...]
    fit: Clustered
    severities: FloatArray


def effects(rows: Counted, given: Severities, plain: Sequence[float] = ()) -> Effects:
    """Fit the effects of groups together. Raises `CalcError` where there is not enough to tell them.

    plain  logarithms of the ratios without the correction, of the first groups: see MODEL_DOUBT
    """
    b: FloatArray = np.zeros(len(given.fitted))
    for _ in range(2):
        severities = _at(given.fitted, b)
        fit = fit_clustered(rows, severities)
        b = fit.effects
    others = np.array([fit.moved(_at(one, b)) for one in given.again])
    between = np.var(others, axis=0, ddof=1) * (1.0 + 1.0 / len(others))
    model = (PATH_DOUBT * b) ** 2
    model[: len(plain)] += (MODEL_DOUBT * (b[: len(plain)] - np.array(plain))) ** 2
    parts = zip(b.tolist(), np.diag(fit.cov).tolist(), (between + model).tolist(), strict=True)
    return Effects(tuple(_corrected(*one, fit.dof) for one in parts), fit, severities)


def by_visit(since: FloatArray) -> FloatArray:
    """Columns (n, `OF_VISIT`) that tell what a visit itself brings, whatever the offsets: bent at thirds of the time.

    since  million cans since the visit before, shape (n,)

    Offsets are least just after a visit. A rate that is low then for another reason passes for misalignment unless
    the time since the visit stands beside it, and a straight line is not what that looks like (a help that is over
    after some weeks).
    """
    return np.column_stack([since, *(np.maximum(since - one, 0.0) for one in np.quantile(since, [1 / 3, 2 / 3]))])


def with_visit(rows: Counted, found: Effects) -> Corrected:
    """Return the effect of the first group with what the visit itself brings in it.

    The first `OF_VISIT` covariates of the rows are those of `by_visit`: they are left out. Raises `CalcError`.
    """
    fit = fit_clustered(replace(rows, covariates=rows.covariates[:, OF_VISIT:]), found.severities)
    return _corrected(float(fit.effects[0]), float(fit.cov[0, 0]), found.corrected[0].by_error ** 2, fit.dof)


def _at(given: Sequence[Expected], effects: FloatArray) -> FloatArray:
    return np.column_stack([one.at(effect) for one, effect in zip(given, effects.tolist(), strict=True)])


def _corrected(b: float, within: float, error: float, dof: int) -> Corrected:
    se = math.sqrt(within + error)
    if not math.isfinite(se) or not 0.0 < se < _WIDEST or abs(b) > _WIDEST:
        raise CalcError("These counts do not hold the effect within any useful range: take a longer time.")
    reach = float(scipy.stats.t.isf((1.0 - LEVEL) / 2.0, dof)) * se
    p = float(2.0 * scipy.stats.t.sf(abs(b) / se, dof))
    ratio, low, high = (math.exp(min(max(one, -_FARTHEST), _FARTHEST)) for one in (b, b - reach, b + reach))
    return Corrected(ratio, low, high, se, p, dof, math.sqrt(within), math.sqrt(error))


def follow_rates(rows: Counted, severities: FloatArray, late: FloatArray) -> float:
    """Return how many standard errors the rate in the days before a visit lies above what else explains it.

    late  share of each piece's cans that were made shortly before the next visit, shape (n,). Above `CALLED` the
    visits follow high rates: an offset is then found large when the rate was high, whatever goes with what.
    """
    if np.ptp(late) < 1e-9:
        return 0.0
    try:
        fit = fit_clustered(rows, np.column_stack([late, severities]))
    except CalcError:
        return 0.0
    return float(fit.effects[0] / math.sqrt(max(fit.cov[0, 0], 1e-18)))
