"""Drift of each place of a machine: pairs of as left and next as found, with the strokes between them.

A place is a station, its seat, and the method: static and running values are never mixed.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from linelog.alignment.standing import AS_FOUND, AS_LEFT, Value
from linelog.calc.drift import Drift, Pairs, Start, due_strokes, station_drift
from linelog.calc.errors import CalcError

FARTHEST_MILLION = 200.0  # how far the risk is looked for: more than a year of any machine
Key = tuple[int, str, str]  # station, seat, method
DayOf = Callable[[dt.datetime], dt.date]


@dataclass(frozen=True, slots=True)
class Place:
    """A place as it was left and how it wanders; um, um2 and million strokes. Kept as JSON, so all fields are plain.

    due_million  strokes from the day after `left_on` until the risk; None where it is not reached or not known
    why_not      why there is no drift, in a sentence
    """

    station: int
    seat: str
    method: str
    kind: str
    left_on: str
    left_um: list[float]
    u_um: float
    limit_um: float
    pairs: int
    pooled: bool
    pair_million: float
    mean_um: list[float]
    cov_um2: list[list[float]]
    mean_cov_um2: list[list[float]]
    due_million: float | None
    why_not: str

    @property
    def key(self) -> Key:
        """What tells it from the machine's other places."""
        return (self.station, self.seat, self.method)

    @property
    def since(self) -> dt.date:
        """The production day of the visit that left it so."""
        return dt.date.fromisoformat(self.left_on)

    @property
    def start(self) -> Start:
        """Where it was left."""
        return Start(self.left_um[0], self.left_um[1], self.u_um)

    @property
    def drift(self) -> Drift | None:
        """How it wanders, None where too little is known."""
        if self.why_not:
            return None
        mean, cov, doubt = (np.array(rows) for rows in (self.mean_um, self.cov_um2, self.mean_cov_um2))
        return Drift(mean, cov, doubt, self.pairs, self.pair_million, self.pooled)

    @property
    def ahead(self) -> tuple[float, ...]:
        """The row that `calc.loss.severities_ahead` takes."""
        walk, doubt = (sum(rows[n][n] for n in range(len(rows))) for rows in (self.cov_um2, self.mean_cov_um2))
        return (*self.left_um, *self.mean_um, walk, doubt, self.limit_um)

    def plain(self) -> dict[str, Any]:
        """Return it for a JSON column."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Strokes:
    """Million strokes of a machine by production day: `upto` counts all from the first known day."""

    days: np.ndarray[Any, np.dtype[np.datetime64]]
    upto: np.ndarray[Any, np.dtype[np.float64]]

    @classmethod
    def of(cls, days: Any, made: Any) -> Strokes:
        """Add up cans begun (a stroke each) per day."""
        return cls(
            np.asarray(days, dtype="datetime64[D]"),
            np.concatenate([[0.0], np.cumsum(np.asarray(made, dtype=np.float64)) / 1e6]),
        )

    def between(self, after: dt.date, until: dt.date) -> float:
        """Strokes of the days after one day, up to and with another."""
        first, last = np.searchsorted(self.days, [np.datetime64(after), np.datetime64(until)], side="right")
        return float(self.upto[last] - self.upto[first])


@dataclass(frozen=True, slots=True)
class Moves:
    """Changes of a place from as left to the next as found, um; strokes between, million; the readings' spread."""

    rows: list[tuple[float, float, float]]
    u_um: list[float]


def moves(
    values: Iterable[Value], strokes: Strokes, jolts: Sequence[dt.datetime], day: DayOf
) -> tuple[dict[Key, Moves], dict[Key, Value]]:
    """Pair the values of one machine, in the order of time, by place; and return how each place was left last.

    A pair with no strokes counted in it is left out, and so is one during which something jolted the machine: that
    change is no drift.
    """
    left: dict[Key, Value] = {}
    found: dict[Key, Moves] = defaultdict(lambda: Moves([], []))
    for value in values:
        key = (value.station_id, value.seat, value.method)
        before = left.get(key)
        if value.stage == AS_FOUND:
            # Never from the value of one carrier to that of another: they see the ram hang differently.
            if (
                before is not None
                and before.series == value.series
                and not any(before.visit_at < at <= value.visit_at for at in jolts)
            ):
                _pair(found[key], before, value, strokes.between(day(before.visit_at), day(value.visit_at)))
            left[key] = value  # stands as left too until the visit says otherwise
        elif value.stage == AS_LEFT:
            left[key] = value
    return found, left


def _pair(into: Moves, before: Value, after: Value, million: float) -> None:
    if million > 0.0:
        into.rows.append((after.x_um - before.x_um, after.y_um - before.y_um, million))
        into.u_um.extend([before.expanded_um / 2.0, after.expanded_um / 2.0])


def join(parts: Iterable[Moves]) -> Moves:
    """Put the pairs of several places together."""
    given = list(parts)
    return Moves([row for one in given for row in one.rows], [u for one in given for u in one.u_um])


def _pairs(found: Moves) -> Pairs:
    return Pairs.of(*np.array(found.rows, dtype=np.float64).reshape(-1, 3).T)


def place(
    last: Value, kind: str, limit_um: float, own: Moves, line: Moves, *, left_on: dt.date, risk: float
) -> Place:
    """Work out a place's drift (its own, or that of the line's stations of its kind) and its strokes until `risk`."""
    u_um = float(np.sqrt(np.mean(np.square(own.u_um or line.u_um or [0.0]))))
    drift, why_not, until = None, "", None
    start = Start(last.x_um, last.y_um, last.expanded_um / 2.0)
    try:
        drift = station_drift(_pairs(own), _pairs(line), reading_u_um=u_um)
        until = due_strokes(drift, start, limit_um, risk=risk, horizon_million=FARTHEST_MILLION).strokes_million
    except CalcError as error:
        drift, why_not = None, error.message
    return Place(
        station=last.station_id,
        seat=last.seat,
        method=last.method,
        kind=kind,
        left_on=left_on.isoformat(),
        left_um=[last.x_um, last.y_um],
        u_um=last.expanded_um / 2.0,
        limit_um=limit_um,
        pairs=drift.pairs if drift else len(own.rows),
        pooled=bool(drift and drift.pooled),
        pair_million=drift.strokes_million if drift else 0.0,
        mean_um=drift.mean_um.tolist() if drift else [0.0, 0.0],
        cov_um2=drift.cov_um2.tolist() if drift else [],
        mean_cov_um2=drift.mean_cov_um2.tolist() if drift else [],
        due_million=until,
        why_not=why_not,
    )


def by_kind(found: Mapping[Key, Moves], kinds: Mapping[int, str]) -> dict[tuple[str, str, str], Moves]:
    """Put the pairs of all stations of a kind, seat and method of a line together."""
    groups: dict[tuple[str, str, str], list[Moves]] = defaultdict(list)
    for (station, seat, method), one in found.items():
        groups[(kinds[station], seat, method)].append(one)
    return {key: join(parts) for key, parts in groups.items()}
