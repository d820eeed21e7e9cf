"""Count regression whose doubt comes from whole clusters (machines): each left out in turn.

    expected count = cans * exp(level of the machine + level of the cell + sum of effect_j * severity_j + covariates)

Counts of a machine scatter together for weeks, and more than Poisson: the fit is Poisson's, which needs only that the
expectation is right, and the covariance of the effects is that of leaving one cluster out (one Newton step each).
Sources: Cameron & Miller, J. Human Resources 50 (2015) 317 (clusters, t with one less than their number);
MacKinnon, Nielsen & Webb, J. Applied Econometrics 38 (2023) 671 (the cluster jackknife, CV3).
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.count_design import Design, Family, check_separated
from linelog.calc.errors import CalcError

_TOLD_BY_OTHERS = 0.02  # a column of which the others tell all but this share of its variance is left out


@dataclass(frozen=True, slots=True)
class Counted:
    """n rows: counts, exposure (cans, times what is known of the time), machine, cell, cluster; covariates (n, c).

    cell  a line in a period, -1 where the period has no level of its own
    """

    counts: FloatArray
    exposure: FloatArray
    machine: IntArray
    cell: IntArray
    cluster: IntArray
    covariates: FloatArray

    def where(self, chosen: BoolArray) -> "Counted":
        """Return some rows."""
        return Counted(*(getattr(self, name)[chosen] for name in self.__slots__))

    def timed(self, cell: IntArray) -> "Counted":
        """Return the rows with other cells."""
        return replace(self, cell=cell)


@dataclass(frozen=True, slots=True)
class Clustered:
    """Effects on the logarithm of the rate, shape (k,), their covariance (k, k), and what it rests on.

    expected    fitted counts (n,); dof: clusters less one
    dispersion  Pearson's chi-square over its degrees of freedom: 1 where counts scatter by chance alone
    others      columns (n, p) beside the severities: levels and covariates
    working     counts less expected, and expected counts times what the effects come to, shape (n,)
    """

    effects: FloatArray
    cov: FloatArray
    dof: int
    expected: FloatArray
    dispersion: float
    others: FloatArray
    working: FloatArray

    def moved(self, severities: FloatArray) -> FloatArray:
        """Return the effects with other severities (n, k) in place, by one Newton step."""
        w = self.expected
        columns = np.column_stack([severities, self.working / w])
        clear = cleared(columns, self.others, w)
        x, z = clear[:, :-1], clear[:, -1]
        return np.asarray(np.linalg.solve((x * w[:, None]).T @ x, (x * w[:, None]).T @ z))


def fit_clustered(rows: Counted, severities: FloatArray) -> Clustered:
    """Fit effects of the severities, shape (n, k). Raises `CalcError` where there is not enough to tell them."""
    from linelog.calc import count_models

    members = _levels(rows)
    x = np.column_stack([severities, rows.covariates])
    kept = _kept(x, severities.shape[1], members, rows.exposure * rows.counts.sum() / rows.exposure.sum())
    x = x[:, kept]
    if len(rows.counts) <= members.shape[1] + x.shape[1] + 1:
        raise CalcError(f"There are {len(rows.counts)} stretches of time with counts, too few for what is asked.")
    design = Design.of(x, members)
    check_separated(rows.counts, design.scaled, ["Severity"])
    fit, _, _ = count_models.fit(rows.counts, rows.exposure, design, Family.POISSON)
    mean = np.asarray(fit.predict())
    k, number = severities.shape[1], members.shape[1]
    effects = (design.back @ np.asarray(fit.params))[number : number + k]
    others = np.column_stack([members, x[:, k:]])
    residual = rows.counts - mean
    cov, dof = _jackknife(rows, x[:, :k], others, mean, residual)
    free = max(len(mean) - others.shape[1] - k, 1)
    dispersion = float((residual**2 / mean).sum() / free)
    return Clustered(effects, cov, dof, mean, dispersion, others, residual + mean * (x[:, :k] @ effects))


def _levels(rows: Counted) -> FloatArray:
    """Columns of machines, and of cells but the first of those that hold the same machines."""
    machines = np.unique(rows.machine)
    columns = [(rows.machine[:, None] == machines).astype(float)]
    cells = [cell for cell in np.unique(rows.cell).tolist() if cell >= 0]
    columns += [(rows.cell == cell).astype(float)[:, None] for cell in cells]
    all_of_them = np.column_stack(columns)
    # A line's cells add up to its machines: what the columns before tell already is left out.
    upper = np.abs(np.diag(np.linalg.qr(all_of_them, mode="r")))
    return np.asarray(all_of_them[:, upper > 1e-8 * upper.max()])


def _kept(x: FloatArray, severities: int, members: FloatArray, w: FloatArray) -> list[int]:
    """Return the columns that can be told: severities must be, a covariate that cannot is left out."""
    spread = ((x - np.average(x, axis=0, weights=w)) ** 2 * w[:, None]).sum(axis=0)
    kept: list[int] = []
    for number in [*range(severities), *range(severities, x.shape[1])]:
        own = spread[number]
        others = np.column_stack([members, x[:, kept]])
        left = float((cleared(x[:, [number]], others, w)[:, 0] ** 2 * w).sum()) if own > 1e-12 else 0.0
        if number < severities and left <= 1e-9 * max(own, 1e-12):
            raise CalcError("Severity never changes within a machine, or others tell it: no effect can be told.")
        if number < severities or left > _TOLD_BY_OTHERS * own:
            kept.append(number)
    return kept


def cleared(columns: FloatArray, others: FloatArray, w: FloatArray) -> FloatArray:
    """Return what the others do not tell of columns, shape (n, k), rows weighted by w (n,)."""
    weighted = others * w[:, None]
    within = weighted.T @ others
    within[np.diag_indices_from(within)] += 1e-9 * np.trace(within) / len(within)
    return np.asarray(columns - others @ scipy.linalg.solve(within, weighted.T @ columns, assume_a="pos"))


def _jackknife(
    rows: Counted, x: FloatArray, others: FloatArray, w: FloatArray, residual: FloatArray
) -> tuple[FloatArray, int]:
    """Covariance of the effects from leaving out one cluster at a time, and its degrees of freedom."""
    columns = np.column_stack([x, others])
    columns = columns / np.maximum(np.sqrt((columns**2 * w[:, None]).sum(axis=0)), 1e-12)
    scale = np.sqrt((x**2 * w[:, None]).sum(axis=0))
    whole = (columns * w[:, None]).T @ columns
    steps = []
    for cluster in np.unique(rows.cluster).tolist():
        at = rows.cluster == cluster
        part, score = columns[at], columns[at].T @ residual[at]
        left = whole - (part * w[at, None]).T @ part
        left[np.diag_indices_from(left)] += 1e-9
        steps.append(-scipy.linalg.solve(left, score, assume_a="sym")[: x.shape[1]] / scale)
    if len(steps) < 3:
        raise CalcError("Too few machines or stretches of time to tell how sure an effect is.")
    moved = np.array(steps)
    number = len(moved)
    moved -= moved.mean(axis=0)
    return np.asarray((number - 1) / number * moved.T @ moved), number - 1
