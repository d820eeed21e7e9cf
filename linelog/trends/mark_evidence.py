"""What the counts and the findings of a plant say of whose a found can may be; read once, asked for many findings."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.calc.misread import Misreading, share_of_no_mark
from linelog.trends.bearing import Bearers

NEAR_DAYS = 30.0  # a like finding so many days off counts for 1/e of one of the day
LOOKED_AT_DAYS = 90
BESIDE_SHARE = 0.1  # of the cans of the days before and after: a night shift, a code a day off
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Known:
    """A finding whose machine is known: by its mark alone, or because somebody said so."""

    pk: int
    code_id: int
    machine_id: int
    day: dt.date


@dataclass(frozen=True, slots=True)
class Counted:
    """What was counted of the marks that were typed.

    Of `known`, whose machine was known, `wrong` were typed otherwise than they stand. Of `typed`, whose machine was
    not, `of_none` were on no machine that day; `none_share` of the misread ones are so. Of `several` that were on
    more than one machine `newest` were of the newest fit.
    """

    known: int = 0
    wrong: int = 0
    typed: int = 0
    of_none: int = 0
    none_share: float = 1.0
    several: int = 0
    newest: int = 0

    def correct(self, how: Misreading) -> Misreading:
        """Return how marks are misread, corrected by what was counted."""
        return how.counted(self.wrong + self.of_none / max(self.none_share, 0.1), self.known + self.typed)


def count_marks(typed: Iterable[tuple[str, dt.date, int | None]], bearers: Bearers, how: Misreading) -> Counted:
    """Count how marks were typed: each with its day, and its machine where that was known without it."""
    counts: Counter[str] = Counter()
    in_use: set[str] = set()
    for mark, day, machine_id in typed:
        fit = [row for row in bearers.of(mark) if row.holds(day)]
        in_use.update(row.mark for row in fit)
        if machine_id is None:
            counts.update(typed=1, of_none=not fit)
        elif any(row.holds(day) for row in bearers.on_machine(machine_id)):
            is_right = machine_id in {row.machine_id for row in fit}
            counts.update(known=1, wrong=not is_right)
            if is_right and len(fit) > 1:
                counts.update(several=1, newest=max(fit, key=lambda row: row.starts_on).machine_id == machine_id)
    names = ("known", "wrong", "typed", "of_none", "several", "newest")
    return Counted(**{name: counts[name] for name in names}, none_share=share_of_no_mark(in_use, how))


@dataclass(frozen=True, slots=True)
class Like:
    """Like findings by machine: as counted, weighted by nearness, and expected at the rate of all machines."""

    counted: Mapping[int, int]
    found: Mapping[int, float]
    expected: Mapping[int, float]


class Evidence:
    """The evidence of one plant over a span of days."""

    def __init__(
        self,
        known: Iterable[Known],
        cans: Mapping[int, Mapping[dt.date, int]],
        how: Misreading,
        counted: Counted,
    ) -> None:
        self.set_share, self.counted, self.how = how.share, counted, counted.correct(how)
        self._cans, self._of_code = cans, _by_code(known)
        self._span = {machine: (min(days), max(days)) for machine, days in cans.items() if days}
        self._machines = sorted(cans)
        self._days = np.array(sorted({day.toordinal() for days in cans.values() for day in days}), dtype=np.float64)
        self._made = _matrix(cans, self._machines, self._days)

    def cans_on(self, machine_id: int, day: dt.date) -> float | None:
        """Return the cans of a day, with a little of its neighbours'; None where the machine is not counted then."""
        first, last = self._span.get(machine_id, (dt.date.max, dt.date.min))
        if not first <= day <= last:
            return None
        made, beside = self._cans[machine_id], dt.timedelta(days=1)
        return made.get(day, 0) + BESIDE_SHARE * (made.get(day - beside, 0) + made.get(day + beside, 0))

    def stood(self, machine_id: int, day: dt.date) -> bool:
        """Whether it is counted before and after, or on that day, and made nothing."""
        return self.cans_on(machine_id, day) is not None and not self._cans[machine_id].get(day, 0)

    def like(self, code_id: int, day: dt.date, but: int) -> Like:
        """Return the findings of a defect around a day, without the one that is looked at."""
        near = [
            one
            for one in self._of_code.get(code_id, [])
            if one.pk != but and abs((one.day - day).days) <= LOOKED_AT_DAYS
        ]
        counted: dict[int, int] = {}
        found: dict[int, float] = {}
        for one in near:
            counted[one.machine_id] = counted.get(one.machine_id, 0) + 1
            weight = math.exp(-abs((one.day - day).days) / NEAR_DAYS)
            found[one.machine_id] = found.get(one.machine_id, 0.0) + weight
        return Like(counted, found, self._expected(day, math.fsum(found.values()), list(found)))

    def _expected(self, day: dt.date, total: float, machines: Sequence[int]) -> dict[int, float]:
        off = np.abs(self._days - day.toordinal())
        begun = self._made @ np.where(off <= LOOKED_AT_DAYS, np.exp(-off / NEAR_DAYS), 0.0)
        if not begun.sum() > 0:
            return dict.fromkeys(machines, total / max(len(machines), 1))
        return dict(zip(self._machines, (total * begun / begun.sum()).tolist(), strict=True))


def _by_code(known: Iterable[Known]) -> dict[int, list[Known]]:
    found: dict[int, list[Known]] = {}
    for one in known:
        found.setdefault(one.code_id, []).append(one)
    return found


def _matrix(cans: Mapping[int, Mapping[dt.date, int]], machines: Sequence[int], days: Floats) -> Floats:
    """Return the cans, (machines, days)."""
    at = {int(day): number for number, day in enumerate(days)}
    made = np.zeros((len(machines), len(days)))
    for row, machine in enumerate(machines):
        for day, count in cans[machine].items():
            made[row, at[day.toordinal()]] = count
    return made
