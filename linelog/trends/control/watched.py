"""The machines of a plant as a watch of their lines takes them, the limits of each quarter, the events it finds."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from linelog.alignment.models import Visit
from linelog.calc.arrays import BoolArray
from linelog.calc.line_watch import LineCounts, Watch, watch
from linelog.calc.watch_design import Delay, Width, find_delay, find_width
from linelog.plant.models import Fitting, Machine, Plant
from linelog.production.days import production_day
from linelog.production.queries import DaySeries
from linelog.trends.rates import Measure, day_by_day

PAST_DAYS = 728  # that the limits of a quarter rest on
LATELY = 28  # days: who was counted in them stands in its line
VERSION = 1  # of how widths are found: another one finds them anew
SEED = 20261201  # of the rises that are added to the past, so that a page says the same every night


@dataclass(frozen=True, slots=True)
class Roster:
    """Which machine stands in which column, what day the first row is, and when each was renewed."""

    machines: tuple[int, ...]
    line: tuple[int, ...]
    first: dt.date
    renewed: BoolArray

    @property
    def days(self) -> int:
        """The number of calendar days."""
        return len(self.renewed)

    def day(self, row: int) -> dt.date:
        """Return the day of a row."""
        return self.first + dt.timedelta(days=row)

    def row(self, day: dt.date) -> int:
        """Return the row of a day, also of one before the first."""
        return (day - self.first).days

    def was_renewed(self, machine: int, after: dt.date, until: dt.date) -> bool:
        """Whether a machine was visited or got other tools in that time."""
        span = slice(max(0, self.row(after) + 1), max(0, self.row(until) + 1))
        return machine in self.machines and bool(self.renewed[span, self.machines.index(machine)].any())


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of a quarter: None where its past is too short; `provisional` where they rest on the quarter too."""

    begins: dt.date
    until: int
    width: Width | None
    provisional: bool


@dataclass(frozen=True, slots=True)
class Found:
    """An event of a machine: the rows it began on and signalled on, what was counted and what was expected."""

    machine: int
    row: int
    first: int
    back: int | None
    counts: float
    expected: float
    made: float


@dataclass(frozen=True, slots=True)
class Watched:
    """What the watch of one count says of a plant."""

    data: LineCounts
    seen: Watch
    limits: tuple[Limits, ...]
    events: tuple[Found, ...]


def roster(plant: Plant, series: Mapping[int, DaySeries]) -> Roster | None:
    """Put the machines with counts into columns; None where there are none."""
    some = {machine: days for machine, days in series.items() if (days.made > 0).any()}
    if not some:
        return None
    machines = tuple(sorted(some))
    first = min(days.day[0].item() for days in some.values())
    days = (max(days.day[-1].item() for days in some.values()) - first).days + 1
    lines = dict(Machine.objects.filter(pk__in=machines).values_list("pk", "line"))
    renewed = np.zeros((days, len(machines)), dtype=bool)
    column = {machine: at for at, machine in enumerate(machines)}
    visits = Visit.objects.filter(machine__in=machines, state=Visit.State.SIGNED).values_list("machine", "opened_at")
    fitted = Fitting.objects.filter(machine__in=machines).values_list("machine", "fitted_at")
    for machine, at in [*visits, *fitted]:
        row = (production_day(plant, at) - first).days
        if 0 <= row < days:
            renewed[row, column[machine]] = True
    return Roster(machines, tuple(lines[machine] for machine in machines), first, renewed)


def line_counts(measure: Measure, who: Roster, series: Mapping[int, DaySeries]) -> LineCounts:
    """Return the counts day by day, zero where none are stored."""
    counts, cans = day_by_day(measure, series, who.machines, who.first, who.days)
    return LineCounts(counts.T.copy(), cans.T.copy(), np.array(who.line, dtype=np.int64), who.renewed)


class Known:
    """The widths found so far, by what they rest on: those of past quarters stay until a count of theirs changes."""

    def __init__(self, stored: Mapping[str, Any]) -> None:
        self.stored = stored
        self.used: dict[str, Any] = {}

    def width(self, part: LineCounts, budget: float) -> Width | None:
        """Return the width of a past; worked out only where it is not known."""
        key = _digest(part, budget)
        self.used[key] = self.stored[key] if key in self.stored else _plain(find_width(part, budget))
        plain = self.used[key]
        return Width(plain[0] or np.inf, plain[1], plain[2]) if plain else None


def _plain(width: Width | None) -> list[float | None] | None:
    if width is None:
        return None
    return [width.widening if width.holds else None, width.a_year, width.machine_years]


def _digest(part: LineCounts, budget: float) -> str:
    told = hashlib.sha256(f"{VERSION} {budget!r} {part.counts.shape}".encode())
    for array in (part.counts, part.cans, part.line, part.renewed):
        told.update(np.ascontiguousarray(array).tobytes())
    return told.hexdigest()


def watched(data: LineCounts, who: Roster, quarters: list[dt.date], budget: float, known: Known) -> Watched:
    """Watch a plant: the limits of each quarter from the days before it, then the sums through all days."""
    spans = _spans(who, quarters)
    limits = tuple(_limits(data, who, span, lambda part: known.width(part, budget)) for span in spans)
    widening = np.full(who.days, np.inf)
    for one in limits:
        begins = 0 if one is limits[0] else max(0, who.row(one.begins))
        widening[begins : one.until] = one.width.widening if one.width else np.inf
    seen = watch(data, widening[:, None])
    return Watched(data, seen, limits, tuple(_events(data, seen)))


def delay_of(found: Watched, who: Roster) -> Delay | None:
    """Return how soon the newest limits see a rise, tried on the days that they rest on."""
    last = found.limits[-1]
    if last.width is None or not last.width.holds:
        return None
    return find_delay(_past(found.data, who, last), last.width.widening, SEED)


def _spans(who: Roster, quarters: list[dt.date]) -> list[tuple[dt.date, int]]:
    ends = [min(who.days, max(0, who.row(day))) for day in quarters[1:]]
    return list(zip(quarters, [*ends, who.days], strict=True))


def _limits(
    data: LineCounts, who: Roster, span: tuple[dt.date, int], find: Callable[[LineCounts], Width | None]
) -> Limits:
    """Rest a quarter's limits on the days before it, or on its own as well while those are too few."""
    begins, until = span
    width = find(_past(data, who, Limits(begins, until, None, provisional=False)))
    if width is not None:
        return Limits(begins, until, width, provisional=False)
    return Limits(begins, until, find(_part(data, 0, until)), provisional=True)


def _past(data: LineCounts, who: Roster, one: Limits) -> LineCounts:
    if one.provisional:
        return _part(data, 0, one.until)
    row = max(0, who.row(one.begins))
    return _part(data, max(0, row - PAST_DAYS), row)


def _part(data: LineCounts, first: int, until: int) -> LineCounts:
    span = slice(first, until)
    return LineCounts(data.counts[span], data.cans[span], data.line, data.renewed[span])


def _events(data: LineCounts, seen: Watch) -> list[Found]:
    found = []
    for row, column in np.argwhere(seen.signal[:, 0]).tolist():
        first = int(seen.first[row, 0, column])
        span = slice(first, row + 1)
        told = seen.level[span, 0, column] > 0.0
        found.append(
            Found(
                machine=column,
                row=row,
                first=first,
                back=_back(seen, row, column),
                counts=float(data.counts[span, column][told].sum()),
                expected=float((seen.level * seen.base)[span, 0, column].sum()),
                made=float(data.cans[span, column][told].sum()),
            )
        )
    return found


def _back(seen: Watch, row: int, column: int) -> int | None:
    """Return the row on which this event was over because the rate was back, before the next one began."""
    back, again = (np.flatnonzero(one[row + 1 :, 0, column]) for one in (seen.back, seen.signal))
    if len(back) == 0 or (len(again) and again[0] < back[0]):
        return None
    return row + 1 + int(back[0])


class Standing:
    """Whether a machine is watched now, and if not, why: codes, worded when shown."""

    WATCHED, ALONE, NOT_COUNTED, NEW, RAISED = "watched", "alone", "not_counted", "new", "raised"


def standing(found: Watched) -> list[str]:
    """Say of each column whether it is watched in the last days."""
    cans, seen, line = found.data.cans[-LATELY:], found.seen, found.data.line
    counted, lately = np.any(cans > 0.0, axis=0), np.any(seen.watched[-LATELY:, 0], axis=0)
    raised = _raised(found.events, len(line), len(seen.signal))
    codes = []
    for column in range(len(line)):
        beside = counted & (line == line[column])
        if not counted[column]:
            codes.append(Standing.NOT_COUNTED)
        elif beside.sum() < 2:
            codes.append(Standing.ALONE)
        elif raised[column]:
            codes.append(Standing.RAISED)
        else:
            codes.append(Standing.WATCHED if lately[column] else Standing.NEW)
    return codes


def _raised(events: tuple[Found, ...], machines: int, days: int) -> BoolArray:
    raised = np.zeros(machines, dtype=bool)
    for one in events:
        raised[one.machine] |= one.back is None and one.row >= days - LATELY
    return raised
