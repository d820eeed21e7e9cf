"""What the pages of signals read, each in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404

from linelog.plant.models import Machine, Person
from linelog.production.queries import DaySeries, day_counts, shift_counts
from linelog.trends.control.charts import BASE_DAYS, Charts, charts
from linelog.trends.models.control import Signal
from linelog.trends.rates import Measure


def signals_for(user: Person, chosen: dict[str, Any], today: dt.date) -> QuerySet[Signal]:
    """Return the signals a person may see, as chosen, the newest first."""
    rows = Signal.objects.for_user(user).select_related("machine__line__plant", "closed_by")
    if chosen.get("days"):
        rows = rows.filter(day__gt=today - dt.timedelta(days=int(chosen["days"])))
    if chosen.get("state") == "open":
        rows = rows.filter(found="", holds=True)
    if chosen.get("state") == "answered":
        rows = rows.exclude(found="")
    if chosen.get("measure"):
        rows = rows.filter(measure=chosen["measure"])
    if chosen.get("way"):
        rows = rows.filter(up=chosen["way"] == "up")
    if chosen.get("machine"):
        rows = rows.filter(machine=chosen["machine"])
    return rows.order_by("-day", "machine__line__name", "machine__name", "measure", "rule")


def signal_for(user: Person, pk: int) -> Signal:
    """Return a signal of the person's plant; any other is not there."""
    rows = Signal.objects.for_user(user).select_related("machine__line__plant", "closed_by")
    return get_object_or_404(rows, pk=pk)


@dataclass(frozen=True, slots=True)
class Watched:
    """The charts of one machine and count over a span, or None with too few points; `fewer` tells of the counts."""

    drawn: Charts | None
    points: int
    since: dt.date
    shifts: tuple[str, ...]


def watched(machine: Machine, measure: Measure, grain: str, since: dt.date) -> Watched:
    """Work out the charts of a machine from the quarter before the span on, by shift, day or week."""
    first = since - dt.timedelta(days=2 * BASE_DAYS)
    codes: tuple[str, ...] = ()
    if grain == "shift":
        series, codes = shift_counts(machine, first, None)
    else:
        series = day_counts(machine, first, None)
    drawn = charts(measure, series, by_week=grain == "week")
    names = tuple(code for code, some in zip(codes, (series.made > 0).tolist(), strict=True) if some) if codes else ()
    return Watched(drawn, _points(series, since), since, names)


def _points(series: DaySeries, since: dt.date) -> int:
    return sum(1 for day in series.day.tolist() if day >= since)
