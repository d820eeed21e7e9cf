"""One lasting step in the mean of a series, and when it came."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linelog.calc.arrays import FloatArray, numbers
from linelog.calc.errors import CalcError


@dataclass(frozen=True, slots=True)
class Step:
    """The likeliest single step.

    after        number of values before it: the step lies between values[after - 1] and values[after]
    rss_one, rss_none  squared scatter about two means, and about one
    supported    whether the step earns its two more parameters by Schwarz's criterion, the values being independent
    """

    after: int
    mean_before: float
    mean_after: float
    rss_one: float
    rss_none: float
    supported: bool


def mean_step(values: ArrayLike, *, fewest: int = 5) -> Step:
    """Find the step that leaves the least squares, with at least `fewest` values on each side, values of shape (n,).

    Source: Bai & Perron, Econometrica 66 (1998) 47, for one break in the mean; the criterion as in Zeileis et al.,
    Computational Statistics & Data Analysis 44 (2003) 109.
    """
    if fewest < 1:
        raise CalcError("A stretch needs at least one value.", field="fewest")
    series = numbers(values, "Values", "values", least=2 * fewest)
    count, centred = len(series), series - series.mean()
    first, rest = _rss(centred), _rss(centred[::-1])[::-1]
    places = np.arange(fewest, count - fewest + 1)
    scatter = first[places - 1] + rest[places]
    best, rss_one, rss_none = int(places[np.argmin(scatter)]), float(scatter.min()), float(first[-1])
    rounding = 1e-24 * float(series @ series)
    gain = count * float(np.log((rss_none + rounding) / (rss_one + rounding))) if rss_none > rounding else 0.0
    return Step(
        after=best,
        mean_before=float(series[:best].mean()),
        mean_after=float(series[best:].mean()),
        rss_one=rss_one,
        rss_none=rss_none,
        supported=gain > 2.0 * float(np.log(count)),
    )


def _rss(series: FloatArray) -> FloatArray:
    """Squared scatter of the first 1, 2, ... n values about their own mean."""
    count = np.arange(1, len(series) + 1)
    return np.asarray(np.maximum(0.0, np.cumsum(series**2) - np.cumsum(series) ** 2 / count))
