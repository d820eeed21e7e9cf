"""The stored pieces of many machines as columns: read once, then cut to what each question needs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.misalignment import Rows
from linelog.trends.evidence.scope import GROUPS, MONTHS_A_PERIOD, WORST, Scope
from linelog.trends.models import Piece

COLUMNS = (
    *("machine_id", "first_day", "last_day", "month", "tooling_set_id", "cans", "spoiled", "tear_offs"),
    *("by_cause", "severity", "by_station", "looks", "since_million", "fitted_million", "late", "machine__line_id"),
)


@dataclass(frozen=True, slots=True)
class Table:
    """n pieces in the order of machine and time; days as days since 1970, months likewise; tooling 0 where none.

    since, fitted  million cans since the visit before and since the tools were put on, NaN where not known
    """

    machine: IntArray
    first: IntArray
    last: IntArray
    month: IntArray
    tooling: IntArray
    cans: IntArray
    spoiled: IntArray
    tear_offs: IntArray
    by_cause: NDArray[np.object_]
    severity: NDArray[np.object_]
    by_station: NDArray[np.object_]
    looks: NDArray[np.object_]
    since: FloatArray
    fitted: FloatArray
    late: FloatArray
    line: IntArray

    def __len__(self) -> int:
        return len(self.machine)

    @property
    def made(self) -> IntArray:
        """Every can that was begun."""
        return self.cans + self.spoiled

    def where(self, chosen: BoolArray) -> Table:
        """Return some of the rows."""
        return replace(self, **{name: getattr(self, name)[chosen] for name in self.__slots__})

    def stations(self) -> list[str]:
        """Return the kinds of station that are known anywhere."""
        return sorted({kind for known in self.by_station for kind in known})

    def causes(self) -> list[str]:
        """Return the cause codes that any can is counted under."""
        return sorted({code for known in self.by_cause for code in known})


def read(machines: Iterable[int] | Any, since: dt.date | None = None) -> Table:
    """Read the pieces of machines (their ids, or a queryset of them) in one query."""
    rows = Piece.objects.filter(machine__in=machines).order_by("machine_id", "first_day")
    if since is not None:
        rows = rows.filter(last_day__gte=since)
    columns = list(zip(*rows.values_list(*COLUMNS), strict=True)) or [()] * len(COLUMNS)
    machine, first, last, month, tooling, cans, spoiled, tear_offs, *rest = columns
    by_cause, severity, by_station, looks, since_visit, since_fitting, late, line = rest
    return Table(
        np.array(machine, dtype=np.int64),
        _days(first),
        _days(last),
        np.array(month, dtype="datetime64[M]").astype(np.int64),
        np.array([one or 0 for one in tooling], dtype=np.int64),
        np.array(cans, dtype=np.int64),
        np.array(spoiled, dtype=np.int64),
        np.array(tear_offs, dtype=np.int64),
        by_cause=_objects(by_cause),
        severity=_objects(severity),
        by_station=_objects(by_station),
        looks=_objects(looks),
        since=np.array(since_visit, dtype=np.float64),
        fitted=np.array(since_fitting, dtype=np.float64),
        late=np.array(late, dtype=np.float64),
        line=np.array(line, dtype=np.int64),
    )


def _days(column: Any) -> IntArray:
    return np.array(column, dtype="datetime64[D]").astype(np.int64)


def _objects(column: Any) -> NDArray[np.object_]:
    made = np.empty(len(column), dtype=object)
    made[:] = column
    return made


@dataclass(frozen=True, slots=True)
class Asked:
    """The rows that answer a question, the pieces they are of, and how many were left out and why.

    at  which rows of the table they are
    """

    rows: Rows
    pieces: Table
    at: IntArray
    unmeasured: int
    empty: int
    odd: int

    @property
    def days(self) -> int:
        """Days from the first to the last."""
        return int(self.pieces.last.max() - self.pieces.first.min() + 1) if len(self.pieces) else 0


def ask(table: Table, scope: Scope, until: dt.date, factors: dict[int, float] | None = None) -> Asked:
    """Cut the table to a question: pieces of the span in which the station's severity is known and cans were made.

    factors  what the fleet did in each period, where the answer is of a single machine
    """
    since = scope.since(until)
    first = (since - dt.date(1970, 1, 1)).days if since else -(10**9)
    inside = table.last >= first
    if scope.tooling is not None:
        inside &= table.tooling == scope.tooling
    table, at = table.where(inside), np.flatnonzero(inside)
    severity = _severity(table, scope)
    known, made = ~np.isnan(severity), table.made > 0
    kept = table.where(known & made)
    period = kept.month // MONTHS_A_PERIOD[scope.span]
    factor = np.array([(factors or {}).get(one, 1.0) for one in period.tolist()], dtype=np.float64)
    rows = Rows(_counts(kept, scope), kept.made, severity[known & made], kept.machine, period, factor)
    odd = int((kept.spoiled > kept.cans).sum())
    return Asked(rows, kept, at[known & made], int((made & ~known).sum()), int((~made).sum()), odd)


def _severity(table: Table, scope: Scope) -> FloatArray:
    if scope.station == WORST:
        return np.array([np.nan if one is None else one for one in table.severity], dtype=np.float64)
    kinds = GROUPS.get(scope.station, (scope.station,))
    worst = [max((known[kind] for kind in kinds if kind in known), default=np.nan) for known in table.by_station]
    return np.array(worst, dtype=np.float64)


def _counts(table: Table, scope: Scope) -> IntArray:
    code = scope.cause
    if code is not None:
        return np.array([known.get(code, 0) for known in table.by_cause], dtype=np.int64)
    return table.tear_offs if scope.measure == "tear_offs" else table.spoiled
