"""What every sum asks of its inputs: finite numbers, in a range that a shop could mean.

The sentence of the error names what was wrong as the person at the machine would call it.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linelog.calc.errors import CalcError

Floats = NDArray[np.float64]


def number(value: float, what: str, field: str, low: float, high: float) -> float:
    """Return `value` as a float if it is finite and low <= value <= high; else raise CalcError."""
    try:
        given = float(value)
    except (TypeError, ValueError, OverflowError):
        raise CalcError(f"{what} must be a number.", field=field) from None
    if not math.isfinite(given):
        raise CalcError(f"{what} must be a number.", field=field)
    if not low <= given <= high:
        raise CalcError(f"{what} must lie between {low:g} and {high:g}.", field=field)
    return given


def above(value: float, what: str, field: str, low: float, high: float) -> float:
    """As `number`, but the value must be greater than `low`: a length, a mass, a stiffness that must exist."""
    if number(value, what, field, low, high) == low:
        raise CalcError(f"{what} must be more than {low:g}.", field=field)
    return float(value)


def numbers(values: ArrayLike, what: str, field: str, low: float, high: float) -> Floats:
    """Return `values` as a float array, each finite and between `low` and `high`; else raise CalcError."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise CalcError(f"{what} must be a number.", field=field) from None
    if not np.isfinite(array).all():
        raise CalcError(f"{what} must be a number.", field=field)
    if array.size and (array.min() < low or array.max() > high):
        raise CalcError(f"{what} must lie between {low:g} and {high:g}.", field=field)
    return array


def same_length(columns: Sequence[Floats], what: str, field: str) -> int:
    """Return the common length of flat columns; raise CalcError with `what` if they differ."""
    if any(column.ndim != 1 or column.size != columns[0].size for column in columns):
        raise CalcError(what, field=field)
    return int(columns[0].size)
