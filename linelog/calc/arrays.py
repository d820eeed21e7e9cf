"""Columns of numbers as the statistics take them: checked once, so that no formula meets an empty or wild value."""

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linelog.calc.errors import CalcError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Whole numbers above this are no longer told apart by a double.
_MOST = 2.0**53
#: Smaller than this is what rounding leaves of zero: nobody measured or counted it.
_LEAST = 1e-30


def numbers(values: ArrayLike, what: str, field: str, *, least: int = 1) -> FloatArray:
    """One-dimensional array of finite numbers, shape (n,) with n >= `least`; a scalar gives shape (1,).

    Raises `CalcError` naming `what` for text, missing or not finite values, magnitudes above 2**53, two dimensions
    and too few of them. Magnitudes below 1e-30 count as zero.
    """
    try:
        array = np.atleast_1d(np.asarray(values, dtype=np.float64))
    except (TypeError, ValueError) as broken:
        raise CalcError(f"{what} must be numbers.", field=field) from broken
    if array.ndim != 1:
        raise CalcError(f"{what} must be one row of numbers.", field=field)
    if len(array) < least:
        raise CalcError(f"{what}: at least {least} are needed and there are {len(array)}.", field=field)
    if not (np.abs(array) <= _MOST).all():  # false for NaN as well
        raise CalcError(f"{what} hold a value that is missing or no usable number.", field=field)
    return np.where(np.abs(array) < _LEAST, 0.0, array)


def not_negative(values: ArrayLike, what: str, field: str, *, least: int = 1) -> FloatArray:
    """`numbers`, none of them below zero."""
    array = numbers(values, what, field, least=least)
    if (array < 0.0).any():
        raise CalcError(f"{what} cannot be negative.", field=field)
    return array


def positive(values: ArrayLike, what: str, field: str, *, least: int = 1) -> FloatArray:
    """`numbers`, all of them above zero."""
    array = numbers(values, what, field, least=least)
    if (array <= 0.0).any():
        raise CalcError(f"{what} must be above zero.", field=field)
    return array


def counts_of(values: ArrayLike, field: str = "counts", *, least: int = 1) -> FloatArray:
    """Return counts, shape (n,): whole numbers from zero up, as floats."""
    array = not_negative(values, "Counts", field, least=least)
    if (array != np.floor(array)).any():
        raise CalcError("Counts must be whole numbers.", field=field)
    return array


def cans_of(values: ArrayLike, field: str = "cans", *, least: int = 1) -> FloatArray:
    """Cans that counts rest on, shape (n,): above zero."""
    array = not_negative(values, "Cans", field, least=least)
    if (array == 0.0).any():
        raise CalcError("A rate needs cans: leave out the time in which none were made.", field=field)
    return array


def counts_and_cans(counts: ArrayLike, cans: ArrayLike, *, least: int = 1) -> tuple[FloatArray, FloatArray]:
    """Return counts and the cans they rest on, both of shape (n,); one number of cans serves for all counts."""
    checked = counts_of(counts, least=least)
    rested = cans_of(cans)
    if len(rested) == 1:
        rested = np.full(len(checked), rested[0])
    same_length([checked, rested], "cans")
    return checked, rested


def same_length(arrays: Iterable[FloatArray], field: str) -> None:
    """Raise `CalcError` unless the arrays have one length."""
    lengths = sorted({len(array) for array in arrays})
    if len(lengths) > 1:
        raise CalcError(f"There are {lengths[0]} values on one side and {lengths[-1]} on the other.", field=field)


def one_number(value: float, what: str, field: str, *, above: float = -math.inf, below: float = math.inf) -> float:
    """Return the value as a float, if it is finite and strictly between `above` and `below`; else `CalcError`."""
    number = float(numbers(value, what, field)[0])
    if not above < number < below:
        ends = f"above {above:g}" if below == math.inf else f"between {above:g} and {below:g}"
        raise CalcError(f"{what} must be {ends}.", field=field)
    return number


def level_of(level: float) -> float:
    """Return a confidence level strictly between 0 and 1."""
    return one_number(level, "The confidence level", "level", above=0.0, below=1.0)
