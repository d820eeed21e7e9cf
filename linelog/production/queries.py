"""What others read of the production: daily sums as numpy arrays, causes, events.

Every span is `since <= production day <= until`, both ends included; None leaves that end open.
Days without a stored shift are absent, never zero: nothing is known of them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
from django.db.models import BigIntegerField, Count, F, QuerySet, Sum, TextField
from django.db.models.fields.json import KeyTextTransform
from django.db.models.functions import Cast
from numpy.typing import NDArray

from linelog.plant.models import Machine
from linelog.production.days import day_begins
from linelog.production.models import DayCount, Event, ShiftCount, SpoilageCause

Days = NDArray[np.datetime64]
Whole = NDArray[np.int64]
# numpy reads the days as text, a column at a time; as date objects they would take twice as long.
DAY_TEXT = {"day_text": Cast("day", TextField())}
COUNTS = ("cans", "spoiled", "tear_offs", "short_cans", "jams", "minutes_down")


@dataclass(frozen=True, slots=True)
class DaySeries:
    """Sums of one machine in the order of time, all arrays of the same length n.

    `day` is datetime64[D]: the production day, or the Monday of the week. The counts are int64, `minutes_down`
    is float64. `cans` are good cans; the spoiled ones come on top.
    """

    day: Days
    cans: Whole
    spoiled: Whole
    tear_offs: Whole
    short_cans: Whole
    jams: Whole
    minutes_down: NDArray[np.float64]

    @property
    def made(self) -> Whole:
        """Every can that was begun, good or spoiled: what a rate rests on."""
        return self.cans + self.spoiled

    def __len__(self) -> int:
        return len(self.day)

    def where(self, chosen: Any) -> DaySeries:
        """Return some of the days: a mask of shape (n,), or a slice."""
        return DaySeries(*(getattr(self, name)[chosen] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class FleetSeries:
    """Daily sums of several machines, by machine and then by day; `machine_id` is int64 beside each row."""

    machine_id: Whole
    days: DaySeries

    def by_machine(self) -> dict[int, DaySeries]:
        """Return each machine's own days; a machine without counts is absent."""
        ends = np.flatnonzero(np.diff(self.machine_id, prepend=-1, append=-1)).tolist()
        return {int(self.machine_id[begin]): self.days.where(slice(begin, end)) for begin, end in pairwise(ends)}


@dataclass(frozen=True, slots=True)
class Totals:
    """The sums of one machine over a span, and on how many days with counts they rest."""

    cans: int
    spoiled: int
    tear_offs: int
    short_cans: int
    jams: int
    minutes_down: float
    days: int

    @property
    def made(self) -> int:
        """Every can that was begun, good or spoiled."""
        return self.cans + self.spoiled


@dataclass(frozen=True, slots=True)
class EventRow:
    """An event of a machine; `at` is aware (UTC), `kind` the stored word, `label` how it reads."""

    pk: int
    machine_id: int
    at: dt.datetime
    kind: str
    label: str
    note: str


def _span(since: dt.date | None, until: dt.date | None, field: str = "day") -> dict[str, dt.date]:
    ends = {f"{field}__gte": since, f"{field}__lte": until}
    return {name: end for name, end in ends.items() if end is not None}


def _series(columns: list[Any]) -> DaySeries:
    day, *counts, minutes = columns
    cans, spoiled, tear_offs, short_cans, jams = (np.array(column, dtype=np.int64) for column in counts)
    return DaySeries(
        np.array(day, dtype="datetime64[D]"),
        cans,
        spoiled,
        tear_offs,
        short_cans,
        jams,
        np.array(minutes, dtype=np.float64),
    )


def _columns(rows: Iterable[tuple[Any, ...]], width: int) -> list[Any]:
    columns = list(zip(*rows, strict=True))
    return columns or [()] * width


def day_counts(machine: Machine | int, since: dt.date | None, until: dt.date | None) -> DaySeries:
    """Return the daily sums of one machine in the order of time."""
    rows = DayCount.objects.filter(machine=machine, **_span(since, until)).order_by("day")
    return _series(_columns(rows.annotate(**DAY_TEXT).values_list("day_text", *COUNTS), 7))


def fleet_day_counts(
    machines: QuerySet[Machine] | Iterable[int], since: dt.date | None, until: dt.date | None
) -> FleetSeries:
    """Return the daily sums of several machines (a queryset of them, or their ids)."""
    rows = (
        DayCount.objects.filter(machine__in=machines, **_span(since, until))
        .order_by("machine_id", "day")
        .annotate(**DAY_TEXT)
        .values_list("machine_id", "day_text", *COUNTS)
    )
    machine_id, *columns = _columns(rows, 8)
    return FleetSeries(np.array(machine_id, dtype=np.int64), _series(columns))


def fleet_strokes(machines: Iterable[int], since: dt.date | None) -> tuple[Whole, Days, Whole]:
    """Return cans begun (a stroke each) by machine and day: machine ids, days and cans, of one length, in order."""
    rows = DayCount.objects.filter(machine__in=machines, **_span(since, None)).order_by("machine_id", "day")
    begun = rows.annotate(**DAY_TEXT, begun=F("cans") + F("spoiled")).values_list("machine_id", "day_text", "begun")
    machine_id, day, made = _columns(begun, 3)
    return np.array(machine_id, dtype=np.int64), np.array(day, dtype="datetime64[D]"), np.array(made, dtype=np.int64)


def machine_totals(
    machines: QuerySet[Machine] | Iterable[int], since: dt.date | None, until: dt.date | None
) -> dict[int, Totals]:
    """Return the sums of each machine by its id, added up in the database; a machine without counts is absent."""
    rows = (
        DayCount.objects.filter(machine__in=machines, **_span(since, until))
        .order_by()
        .values_list("machine_id")
        .annotate(*(Sum(name) for name in COUNTS), days=Count("pk"))
    )
    return {machine_id: Totals(*sums) for machine_id, *sums in rows}


def cans_begun(
    machines: QuerySet[Machine] | Iterable[int], since: dt.date | None, until: dt.date | None
) -> dict[int, int]:
    """Return the cans begun by each machine, by its id; a machine without counts is absent."""
    rows = DayCount.objects.filter(machine__in=machines, **_span(since, until)).order_by()
    return dict(rows.values_list("machine_id").annotate(begun=Sum(F("cans") + F("spoiled"))))


def weekly(series: DaySeries) -> DaySeries:
    """Return the sums by ISO week; `day` is the week's Monday. A week at an end of the span may be a part of one."""
    if len(series) == 0:
        return series
    # Day 0 of numpy's clock, 1970-01-01, was a Thursday: three days on, weeks divide evenly at Mondays.
    week = (series.day.astype(np.int64) + 3) // 7
    starts = np.flatnonzero(np.diff(week, prepend=week[0] - 1))
    monday = (week[starts] * 7 - 3).astype("datetime64[D]")
    return DaySeries(monday, *(np.add.reduceat(getattr(series, name), starts) for name in COUNTS))


def cause_sums(machine: Machine, since: dt.date | None, until: dt.date | None) -> dict[str, int]:
    """Return the spoiled cans of one machine by cause code, the most first; cans without a cause stand under ''."""
    codes = list(
        SpoilageCause.objects.filter(plant__lines__machines=machine).order_by("code").values_list("code", flat=True)
    )
    sums = {
        f"cause_{number}": Sum(Cast(KeyTextTransform(code, "by_cause"), BigIntegerField()))
        for number, code in enumerate(codes)
    }
    totals = ShiftCount.objects.filter(machine=machine, **_span(since, until)).aggregate(all=Sum("spoiled"), **sums)
    found = {code: totals[f"cause_{number}"] or 0 for number, code in enumerate(codes)}
    found[""] = (totals["all"] or 0) - sum(found.values())
    return dict(sorted(((code, cans) for code, cans in found.items() if cans), key=lambda pair: -pair[1]))


def cause_days(machine: Machine, days: Days, since: dt.date | None = None) -> dict[str, Whole]:
    """Return the spoiled cans of one machine by cause code, each of shape (n,) beside the n days given (in order).

    The days given are all of the machine's that have counts, from `since` on.
    """
    codes = list(
        SpoilageCause.objects.filter(plant__lines__machines=machine)
        .order_by("code")
        .values_list("code", flat=True)
        .distinct()
    )
    rows = ShiftCount.objects.filter(machine=machine, spoiled__gt=0, **_span(since, None)).order_by()
    # As text, which polars takes apart a column at a time.
    text = rows.annotate(**DAY_TEXT, causes=Cast("by_cause", TextField())).values_list("day_text", "causes")
    day, causes = _columns(text, 2)
    if not codes or not day:
        return {}
    kind = pl.Struct(dict.fromkeys(codes, pl.Int64))
    table = pl.Series(causes, dtype=pl.String).str.json_decode(kind).struct.unnest().fill_null(0)
    at = np.searchsorted(days, np.array(day, dtype="datetime64[D]"))
    found = {code: np.bincount(at, weights=table[code].to_numpy(), minlength=len(days)) for code in codes}
    return {code: np.rint(cans).astype(np.int64) for code, cans in found.items() if cans.any()}


def events(machine: Machine, since: dt.date | None, until: dt.date | None) -> list[EventRow]:
    """Return the events of one machine from the first production day to the last, in the order of time."""
    plant = machine.line.plant
    rows = Event.objects.filter(machine=machine).order_by("at", "pk")
    if since is not None:
        rows = rows.filter(at__gte=day_begins(plant, since))
    if until is not None:
        rows = rows.filter(at__lt=day_begins(plant, until + dt.timedelta(days=1)))
    return [
        EventRow(event.pk, event.machine_id, event.at, event.kind, event.get_kind_display(), event.remark)
        for event in rows
    ]


def shift_counts(
    machine: Machine | int, since: dt.date | None, until: dt.date | None
) -> tuple[DaySeries, tuple[str, ...]]:
    """Return the counts of one machine shift by shift, in the order of time, and the code of each one's shift."""
    rows = ShiftCount.objects.filter(machine=machine, **_span(since, until)).order_by("day", "shift__starts")
    columns = _columns(rows.annotate(**DAY_TEXT).values_list("day_text", *COUNTS, "shift__code"), 8)
    return _series(columns[:7]), tuple(columns[7])
