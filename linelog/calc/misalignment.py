"""Severity of misalignment held against a rate, apart from each machine's own level and the time.

    expected count = cans * time factor * exp(level of the machine + level of the period + effect * severity)

A period takes up what goes with the time alone, for all machines alike: metal, lubrication, season, the way of
counting. Without it a rise of the whole fleet while its alignment also changes would be laid at the alignment's door.
Source of the model: Cameron & Trivedi, Regression Analysis of Count Data, with fixed effects; the rest derived.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from linelog.calc.arrays import FloatArray, IntArray
from linelog.calc.errors import CalcError
from linelog.calc.rates import MILLION, rates_per_million
from linelog.calc.regression import CountFit, avoided, fit_counts

SEVERITY = "Severity"
FEWEST_ROWS = 8
FEWEST_COUNTS = 20
FEWEST_MACHINES = 3  # with fewer the periods cannot be told from the machines' own changes
WIDEST = 10.0  # upper over lower end of the ratio: beyond it the cans say next to nothing. Own choice.
MOST_BINS = 12


@dataclass(frozen=True, slots=True)
class Rows:
    """n stretches of time of one or more machines, every array of shape (n,).

    counts; cans (above zero); severity; machine and period as whole numbers; factor: what the whole fleet did at that
    time as a multiple of its usual rate, 1 where the periods are to be fitted.
    """

    counts: IntArray
    cans: IntArray
    severity: FloatArray
    machine: IntArray
    period: IntArray
    factor: FloatArray

    def where(self, chosen: Any) -> "Rows":
        """Return some rows."""
        return Rows(*(getattr(self, name)[chosen] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class Point:
    """Rows of about one severity: rate per million cans with its exact interval, for a usual machine and time."""

    severity: float
    rate: float
    low: float
    high: float
    cans: int
    counts: int


@dataclass(frozen=True, slots=True)
class Worth:
    """Counts of the whole time that would not have come within limits, if the effect held, with the interval."""

    count: float
    low: float
    high: float
    cans_out: int


@dataclass(frozen=True, slots=True)
class Misalignment:
    """What severity goes with.

    ratio, low, high   rates one unit of severity apart (on the line against at the limit)
    base, centre       rate per million at the severity `centre`; the curve is base * ratio ** (severity - centre)
    factors            level of each period as a multiple of the usual rate, by period
    expected           fitted counts of the rows, shape (n,)
    """

    fit: CountFit
    ratio: float
    low: float
    high: float
    base: float
    centre: float
    points: tuple[Point, ...]
    worth: Worth
    factors: dict[int, float]
    machines: int

    @property
    def too_wide(self) -> bool:
        """Whether the interval is so wide that it says next to nothing."""
        return self.high > WIDEST * self.low

    @property
    def expected(self) -> FloatArray:
        """Fitted counts, shape (n,)."""
        return self.fit.expected


def hold_against(rows: Rows) -> Misalignment:
    """Fit the effect of severity on a rate. Raises `CalcError` with the reason where there is not enough."""
    _check(rows)
    machines = np.unique(rows.machine[np.isin(rows.machine, rows.machine[rows.counts > 0])])
    merged = merge_periods(rows) if len(machines) >= FEWEST_MACHINES else np.zeros(len(rows.counts), dtype=np.int64)
    predictors: dict[str, FloatArray] = {SEVERITY: rows.severity}
    predictors |= {f"period {period}": (merged == period).astype(float) for period in np.unique(merged)[1:].tolist()}
    exposure = rows.cans * rows.factor
    fit = fit_counts(rows.counts, exposure, predictors, groups=[str(machine) for machine in rows.machine.tolist()])
    effect = fit.effect(SEVERITY)
    centre = float(np.average(rows.severity, weights=rows.cans))
    spread = rows.cans * np.exp(np.clip(effect.coefficient * (rows.severity - centre), -50.0, 50.0))
    base = MILLION * float(rows.counts.sum() / spread.sum())
    less = avoided(fit, SEVERITY, rows.severity, np.minimum(rows.severity, 1.0))
    return Misalignment(
        fit=fit,
        ratio=effect.ratio,
        low=effect.ratio_low,
        high=effect.ratio_high,
        base=base,
        centre=centre,
        points=_points(rows, fit.expected, base * np.exp(effect.coefficient * (rows.severity - centre))),
        worth=Worth(less.count, less.low, less.high, int(rows.cans[rows.severity > 1.0].sum())),
        factors=_factors(rows, fit, merged),
        machines=len(machines),
    )


def _check(rows: Rows) -> None:
    if len(rows.counts) < FEWEST_ROWS:
        raise CalcError(
            f"There are {len(rows.counts)} stretches of time between two signed visits, and {FEWEST_ROWS} are needed."
        )
    total = int(rows.counts.sum())
    if total < FEWEST_COUNTS:
        raise CalcError(f"{total} were counted in all this time, and {FEWEST_COUNTS} are needed.")


def merge_periods(rows: Rows) -> IntArray:
    """Period of each row, shape (n,), with neighbours put together until each holds counts and machines enough."""
    merged, current, seen = {}, 0, 0
    machines: set[int] = set()
    for period in np.unique(rows.period).tolist():
        here = rows.period == period
        merged[period] = current
        seen += int(rows.counts[here].sum())
        machines |= set(rows.machine[here & (rows.counts > 0)].tolist())
        if seen >= FEWEST_COUNTS and len(machines) >= FEWEST_MACHINES:
            current, seen, machines = current + 1, 0, set()
    last = current if seen >= FEWEST_COUNTS and len(machines) >= FEWEST_MACHINES else max(current - 1, 0)
    return np.array([min(merged[period], last) for period in rows.period.tolist()], dtype=np.int64)


def _factors(rows: Rows, fit: CountFit, merged: IntArray) -> dict[int, float]:
    """Levels of the periods, scaled so that all expected counts together are as they would be without them."""
    levels = {0: 0.0} | {int(effect.name.removeprefix("period ")): effect.coefficient for effect in fit.effects[1:]}
    level = np.exp([levels.get(period, 0.0) for period in merged.tolist()])
    usual = float(fit.expected.sum() / (fit.expected / level).sum())
    return {int(period): float(level[rows.period == period][0] / usual) for period in np.unique(rows.period)}


@dataclass(frozen=True, slots=True)
class Drawn:
    """A corrected effect as it is drawn: base, centre and points as in `Misalignment`, and what it is worth."""

    base: float
    centre: float
    points: tuple[Point, ...]
    worth: Worth


def drawn(rows: Rows, expected: FloatArray, ratios: tuple[float, float, float]) -> Drawn:
    """Draw a curve through rows whose severity is the expected one.

    expected  fitted counts (n,); ratios: the effect and the ends of its interval
    """
    effect, low, high = np.log(ratios).tolist()
    centre = float(np.average(rows.severity, weights=rows.cans))
    spread = rows.cans * np.exp(np.clip(effect * (rows.severity - centre), -50.0, 50.0))
    base = MILLION * float(rows.counts.sum() / spread.sum())
    over = np.maximum(rows.severity - 1.0, 0.0)
    fewer, one, two = (float(-(expected * np.expm1(-b * over)).sum()) for b in (effect, low, high))
    worth = Worth(fewer, min(one, two), max(one, two), int(rows.cans[over > 0.0].sum()))
    curve = base * np.exp(effect * (rows.severity - centre))
    return Drawn(base, centre, _points(rows, expected, curve), worth)


def _points(rows: Rows, expected: FloatArray, curve: FloatArray) -> tuple[Point, ...]:
    """Sort the rows by severity into bins of about as many cans each."""
    order = np.argsort(rows.severity, kind="stable")
    order = order[expected[order] > 0.0]
    bins = min(MOST_BINS, max(1, len(order) // 4))
    through = np.cumsum(rows.cans[order])
    number = np.minimum((through - rows.cans[order] / 2.0) / through[-1] * bins, bins - 1).astype(np.int64)
    bins_of = [order[number == one] for one in np.unique(number)]
    if not bins_of:
        return ()
    counts = [int(rows.counts[here].sum()) for here in bins_of]
    usual_cans = [MILLION * float((expected[here] / curve[here]).sum()) for here in bins_of]
    exact = rates_per_million(counts, usual_cans)
    rate, low, high = exact.rate.tolist(), exact.low.tolist(), exact.high.tolist()
    severity = [float(np.average(rows.severity[here], weights=rows.cans[here])) for here in bins_of]
    cans = [int(rows.cans[here].sum()) for here in bins_of]
    return tuple(map(Point, severity, rate, low, high, cans, counts))


def cells(rows: Rows, line: IntArray) -> IntArray:
    """Level of each row's time, shape (n,): its line in its period, periods put together until each holds enough.

    Lines with few machines are taken together; -1 for all where the plant has too few machines to tell the time.
    """
    counted = np.isin(rows.machine, rows.machine[rows.counts > 0])
    enough = [one for one in np.unique(line).tolist() if _machines(rows, counted & (line == one)) >= FEWEST_MACHINES]
    where = np.where(np.isin(line, enough), line, -1)
    out = np.full(len(line), -1, dtype=np.int64)
    for number, one in enumerate(np.unique(where).tolist()):
        at = where == one
        if _machines(rows, counted & at) >= FEWEST_MACHINES:
            out[at] = 10_000 * number + merge_periods(rows.where(at))
    return out


def _machines(rows: Rows, some: Any) -> int:
    return len(np.unique(rows.machine[some]))
