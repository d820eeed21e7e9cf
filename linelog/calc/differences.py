"""How the difference of running and static behaves over time: a level, a trend, a step; and what the next will be.

One coordinate at a time, by ordinary least squares (statsmodels): each stretch between steps has its own level and,
from four pairs on, its own slope. Whether that slope is a trend is tested (t, 5 %) and said; a prediction carries it
either way, since a test before an estimate costs coverage: with the slope left out where it is not proven, only 91 %
of the next pairs of slowly wearing simulated machines lay within their 95 % interval. The scatter is that of all
stretches together, so that two pairs after a step are enough.

A pair outside the 95 % interval of those before it is a step that is suspected; where the next one lies outside on
the same side too, it is a step, and what came before it teaches the scatter alone.

Differences in um, days as plain numbers.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise

import numpy as np
import scipy

from linelog.calc.require import Floats, number
from linelog.calc.uncertainty import coverage_factor

LEVEL = 0.95
FEWEST, FEWEST_FOR_TREND = 3, 4
ROUNDING_UM = 1e-6
PROVEN = 0.05
FARTHEST_DAYS = 3650.0


class Step(Enum):
    """Whether the differences have jumped: not, in the newest pair alone, or in two pairs and more."""

    NONE = "none"
    SUSPECTED = "suspected"
    CERTAIN = "certain"


@dataclass(frozen=True, slots=True)
class Course:
    """One coordinate on its newest stretch: a line through `level_um` at `day`, um a day; scatter of all stretches.

    `cov` is the covariance of (level, slope), `chance` that of such a slope on a steady machine (1: not asked). The
    floor is the standard uncertainty of one difference that its measurements have.
    """

    day: float
    level_um: float
    slope_um_a_day: float
    cov: tuple[tuple[float, float], tuple[float, float]]
    sd_um: float
    dof: float
    chance: float
    floor_um: float

    @property
    def moves(self) -> bool:
        """Whether a trend is proven (5 %)."""
        return self.chance < PROVEN

    def at(self, day: float) -> float:
        """Return the fitted difference on a day, um."""
        return self.level_um + self.slope_um_a_day * (day - self.day)

    def u_at(self, day: float) -> float:
        """Return the standard uncertainty of the fitted difference on a day, um."""
        row = np.array([1.0, day - self.day])
        return math.sqrt(max(float(row @ np.array(self.cov) @ row), 0.0))

    def within(self, day: float) -> float:
        """Return the half width of the 95 % interval of the fitted difference on a day, um."""
        return coverage_factor(self.dof, LEVEL) * self.u_at(day)

    def next_within(self, day: float) -> float:
        """Return the half width of the 95 % prediction interval of one further difference on a day, um.

        Never narrower than a single difference can be measured: three pairs may happen to lie close together.
        """
        least = coverage_factor(math.inf, LEVEL) * self.floor_um
        return max(coverage_factor(self.dof, LEVEL) * math.hypot(self.sd_um, self.u_at(day)), least)


@dataclass(frozen=True, slots=True)
class Courses:
    """Both coordinates, and the step that the newest stretch begins with: `begins` is the index of its first pair.

    A step that is suspected only counts as scatter: a misread pair must not move what is expected.
    """

    across: Course
    up: Course
    step: Step
    begins: int

    def outside(self, day: float, difference_um: tuple[float, float]) -> tuple[int, int]:
        """Return on which side of its interval a difference lies, across and up: -1 below, 0 within, 1 above."""
        found = []
        for course, value in zip((self.across, self.up), difference_um, strict=True):
            off = value - course.at(day)
            found.append(0 if abs(off) <= course.next_within(day) else int(math.copysign(1, off)))
        return found[0], found[1]


def follow(days: Floats, differences_um: Floats, *, floor_um: float = 0.0) -> Courses | None:
    """Return how differences go, from days (n,) in order and differences (n, 2); None with fewer than 3."""
    number(floor_um, "The uncertainty of a difference (um)", "floor_um", 0.0, 50_000.0)
    if len(days) < FEWEST:
        return None
    starts = [0]
    newest = len(days) - 1
    at = FEWEST
    while at <= newest:
        before = _courses(days[:at], differences_um[:at], starts, floor_um)
        side = _outside(before, days, differences_um, at)
        if any(side) and at == newest:
            return replace(_courses(days, differences_um, starts, floor_um), step=Step.SUSPECTED)
        again = _outside(before, days, differences_um, at + 1) if any(side) else (0, 0)
        if any(one and one == other for one, other in zip(side, again, strict=True)):
            starts.append(at)
            at += 1  # the second pair has told of the step
        at += 1
    return _courses(days, differences_um, starts, floor_um)


def _outside(before: Courses, days: Floats, differences_um: Floats, at: int) -> tuple[int, int]:
    x, y = differences_um[at]
    return before.outside(float(days[at]), (float(x), float(y)))


def _courses(days: Floats, differences_um: Floats, starts: list[int], floor_um: float) -> Courses:
    across, up = (_course(days, differences_um[:, axis], starts, floor_um) for axis in (0, 1))
    return Courses(across, up, Step.CERTAIN if starts[-1] else Step.NONE, starts[-1])


def _course(days: Floats, values: Floats, starts: list[int], floor_um: float) -> Course:
    """Fit every stretch its level, and from four pairs on its slope, with one common scatter."""
    import statsmodels.api as sm

    levels, slopes = [], []
    for first, last in pairwise([*starts, len(days)]):
        inside = np.zeros(len(days))
        inside[first:last] = 1.0
        levels.append(inside)
        if _long(days[first:last]):
            slopes.append(inside * (days - days[last - 1]))
    long = _long(days[starts[-1] :])
    fit = sm.OLS(values, np.column_stack([*levels, *slopes])).fit()
    columns = [len(levels) - 1, *([fit.params.size - 1] if long else [])]
    cov = np.zeros((2, 2))
    cov[: len(columns), : len(columns)] = fit.cov_params()[np.ix_(columns, columns)]
    slope = float(fit.params[-1]) if long else 0.0
    return Course(
        day=float(days[-1]),
        level_um=float(fit.params[columns[0]]),
        slope_um_a_day=slope,
        cov=((float(cov[0, 0]), float(cov[0, 1])), (float(cov[1, 0]), float(cov[1, 1]))),
        sd_um=math.sqrt(float(fit.scale)),
        dof=float(fit.df_resid),
        chance=_chance(slope, math.sqrt(cov[1, 1]), float(fit.df_resid), float(np.ptp(days[starts[-1] :]))),
        floor_um=floor_um,
    )


def _long(days: Floats) -> bool:
    """Whether a stretch can have a slope."""
    return len(days) >= FEWEST_FOR_TREND and float(np.ptp(days)) > 0.0


def _chance(slope: float, u: float, dof: float, span: float) -> float:
    """Return the chance of such a slope where there is none (two-sided t); a line without scatter is certain."""
    if abs(slope) * span < ROUNDING_UM:
        return 1.0
    return float(2.0 * scipy.stats.t.sf(abs(slope) / u, dof)) if u > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class Passing:
    """The day on which a course passes a limit, with the earliest and the latest that its 95 % interval allows.

    None: not within ten years.
    """

    on: float
    earliest: float
    latest: float | None


def passes(course: Course, limit_um: float) -> Passing | None:
    """Return when a course that is proven to move passes a limit, um; None where it does not go there.

    Where it has passed already, `on` is the day of the newest pair. The interval is where the limit lies within that
    of the fitted line (the inverse prediction of Draper & Smith, Applied Regression Analysis, 3.2; from memory).
    """
    if not course.moves:
        return None
    toward = math.copysign(1.0, course.slope_um_a_day)
    ahead = np.arange(0.0, FARTHEST_DAYS + 1.0)
    line = toward * (course.level_um + course.slope_um_a_day * ahead)
    (v0, c), (_, v1) = course.cov
    half = coverage_factor(course.dof, LEVEL) * np.sqrt(np.maximum(v0 + 2.0 * c * ahead + v1 * ahead**2, 0.0))
    on, earliest, latest = (_first(edge >= toward * limit_um) for edge in (line, line + half, line - half))
    if on is None or earliest is None:
        return None
    return Passing(course.day + on, course.day + earliest, None if latest is None else course.day + latest)


def _first(there: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float | None:
    return float(np.argmax(there)) if there.any() else None
