"""Rows and predictors of a count regression: brought into shape, and refused where no answer can come of them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike

from linelog.calc.arrays import BoolArray, FloatArray, numbers, same_length
from linelog.calc.errors import CalcError


class Family(Enum):
    """Distribution of the counts about their expectation."""

    POISSON = "Poisson"
    NEGATIVE_BINOMIAL = "negative binomial"


def columns_of(predictors: Mapping[str, ArrayLike], rows: int) -> FloatArray:
    """Predictors as columns, shape (rows, k)."""
    if not predictors:
        raise CalcError("There is nothing to hold the counts against.", field="predictors")
    columns = [numbers(values, name, name) for name, values in predictors.items()]
    for name, column in zip(predictors, columns, strict=True):
        same_length([column, np.empty(rows)], name)
    return np.column_stack(columns)


def with_counts(counts: FloatArray, groups: Sequence[str] | None) -> tuple[Any, BoolArray, tuple[str, ...]]:
    """Label of each row (shape (n,), text), the rows of groups with counts, and the groups without any.

    A group without a count says nothing of an effect within it: its own level takes up everything.
    """
    labels = np.array(["all"] * len(counts) if groups is None else [str(group) for group in groups])
    same_length([counts, np.empty(len(labels))], "groups")
    counted = np.unique(labels[counts > 0.0])
    return labels, np.isin(labels, counted), tuple(np.setdiff1d(labels, counted).tolist())


def check_predictors(y: FloatArray, x: FloatArray, members: FloatArray, names: list[str], *, grouped: bool) -> None:
    """Raise where rows are too few, or a predictor never changes, or changes only as the machines or others do.

    y (n,), x (n, k), members (n, machines) with a 1 for the machine of the row.
    """
    needed = members.shape[1] + len(names) + 1  # and one for the dispersion
    if len(y) <= needed:
        raise CalcError(f"There are {len(y)} stretches of time with counts, and more than {needed} are needed.")
    means = members.T @ x / members.sum(axis=0)[:, None]
    within = x - members @ means
    size = np.abs(x).max(axis=0)
    for name, column, within_column, largest in zip(names, x.T, within.T, size, strict=True):
        if np.ptp(column) <= 1e-9 * largest:
            raise CalcError(f"{name} is the same in every row, so its effect cannot be worked out.", field=name)
        if grouped and np.abs(within_column).max() <= 1e-9 * largest:
            raise CalcError(
                f"{name} never changes within a machine, so it cannot be told from the machine.", field=name
            )
    if np.linalg.matrix_rank(within / np.abs(within).max(axis=0), tol=1e-7 * math.sqrt(len(y))) < len(names):
        raise CalcError(
            f"{' and '.join(names)} move together, so their effects cannot be told apart.", field=names[-1]
        )


@dataclass(frozen=True, slots=True)
class Design:
    """Members and predictors, these brought to mean 0 and spread 1; raw parameters = back @ scaled parameters."""

    scaled: FloatArray
    back: FloatArray
    groups: int

    @classmethod
    def of(cls, x: FloatArray, members: FloatArray) -> "Design":
        """Design of predictors x (n, k), none of them constant, and members (n, machines)."""
        mean, spread = x.mean(axis=0), x.std(axis=0)
        groups = members.shape[1]
        back = np.eye(groups + x.shape[1])
        back[:groups, groups:] = -mean / spread
        back[groups:, groups:] = np.diag(1.0 / spread)
        return cls(np.column_stack([members, (x - mean) / spread]), back, groups)


def check_separated(y: FloatArray, design: FloatArray, names: list[str]) -> None:
    """Raise where some mix of the columns is zero in every row with counts and never positive in the others.

    The likelihood then rises without end along that mix (Santos Silva & Tenreyro, Economics Letters 107 (2010) 310).
    """
    counted, without = design[y > 0.0], design[y == 0.0]
    if np.linalg.matrix_rank(counted) == design.shape[1]:
        return
    found = scipy.optimize.linprog(
        without.sum(axis=0),
        A_ub=np.vstack([without, -without]),
        b_ub=np.concatenate([np.zeros(len(without)), np.ones(len(without))]),
        A_eq=counted,
        b_eq=np.zeros(len(counted)),
        bounds=(None, None),
    )
    if found.fun is None or found.fun < -1e-6:
        raise CalcError(
            f"Nothing was counted on one side of {' and '.join(names)}: an effect of any size would fit.",
            field=names[0],
        )
