"""What the pages of signals read, each in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Q, QuerySet
from django.shortcuts import get_object_or_404

from linelog.alignment.models import Visit
from linelog.calc.arrays import FloatArray
from linelog.plant.models import Machine, Person, Plant
from linelog.production.models import Finding
from linelog.production.queries import Days, DaySeries, day_counts, shift_counts
from linelog.trends.control.charts import BASE_DAYS, Charts, charts
from linelog.trends.control.refit import KIND, SUMS
from linelog.trends.models import Fit, Signal
from linelog.trends.rates import Measure

LINK_DAYS = 60  # a visit or finding farther off is hardly of the same matter. Own choice.
OF_LINE = Q(rule=Signal.Rule.LINE)
STATES = {
    "open": OF_LINE & Q(cause="", aside=""),
    "answered": OF_LINE & ~Q(cause=""),
    "aside": OF_LINE & ~Q(aside=""),
    "earlier": ~OF_LINE,
    "": OF_LINE,
}


def signals_for(user: Person, chosen: dict[str, Any], today: dt.date) -> QuerySet[Signal]:
    """Return the signals a person may see, as chosen, the newest first."""
    rows = _rows(user)
    if chosen.get("days"):
        rows = rows.filter(day__gt=today - dt.timedelta(days=int(chosen["days"])))
    rows = rows.filter(STATES[chosen.get("state") or ""])
    if chosen.get("measure"):
        rows = rows.filter(measure=chosen["measure"])
    if chosen.get("machine"):
        rows = rows.filter(machine=chosen["machine"])
    return rows.order_by("-day", "machine__line__name", "machine__name", "measure", "rule")


def signal_for(user: Person, pk: int) -> Signal:
    """Return a signal of the person's plant; any other is not there."""
    rows = _rows(user)
    return get_object_or_404(rows, pk=pk)


def _rows(user: Person) -> QuerySet[Signal]:
    return Signal.objects.for_user(user).select_related("machine__line__plant", "closed_by", "owner")


def people_of(signals: Sequence[Signal]) -> QuerySet[Person]:
    """Return who may go on with signals: the people of their plant."""
    return Person.objects.filter(plant__in={one.machine.line.plant_id for one in signals}, is_active=True)


def visits_of(signals: Sequence[Signal]) -> QuerySet[Visit]:
    """Return the signed visits of the signals' machines near them, the newest first."""
    begins, ends = _around(signals)
    rows = Visit.objects.filter(state=Visit.State.SIGNED, opened_at__date__range=(begins, ends))
    return rows.filter(machine__in=_machines(signals)).select_related("machine__line__plant").order_by("-opened_at")


def findings_of(signals: Sequence[Signal]) -> QuerySet[Finding]:
    """Return the findings that name the signals' machines, near them, the newest first."""
    rows = Finding.objects.filter(machine__in=_machines(signals), found_on__range=_around(signals))
    return rows.select_related("machine", "code").order_by("-found_on", "-pk")


def _machines(signals: Sequence[Signal]) -> set[int]:
    return {one.machine_id for one in signals}


def _around(signals: Sequence[Signal]) -> tuple[dt.date, dt.date]:
    if not signals:
        return dt.date.min, dt.date.min
    first, last = min(one.began_on for one in signals), max(one.day for one in signals)
    return first - dt.timedelta(days=LINK_DAYS), last + dt.timedelta(days=LINK_DAYS)


@dataclass(frozen=True, slots=True)
class Sums:
    """The sum of a machine and its limit by day, each (n,); the limit is NaN where there is none."""

    day: Days
    total: FloatArray
    limit: FloatArray


def sums_of(machine: Machine, measure: Measure) -> Sums:
    """Return the stored sums of a machine; none where it was never watched."""
    scope = f"{measure.key}:{machine.pk}"
    fit = Fit.objects.filter(plant=machine.line.plant_id, kind=SUMS, scope=scope).first()
    kept = fit.result if fit else {"first": "1970-01-01", "sum": [], "limit": []}
    day = np.datetime64(str(kept["first"]), "D") + np.arange(len(kept["sum"]))
    return Sums(day, np.array(kept["sum"], dtype=np.float64), np.array(kept["limit"], dtype=np.float64))


def watches_for(user: Person) -> list[Fit]:
    """Return what the watches of a person's plants say of themselves, by plant."""
    rows = Fit.objects.for_user(user).filter(kind=KIND).select_related("plant").order_by("plant__name", "-scope")
    return list(rows)


def names_for(user: Person) -> dict[int, str]:
    """Return the machines of a person's plants by number."""
    return dict(Machine.objects.for_user(user).order_by().values_list("pk", "name"))


def watch_of(plant: Plant | int, measure: Measure) -> Fit | None:
    """Return what the newest watch of a count says of itself."""
    return Fit.objects.filter(plant=plant, kind=KIND, scope=measure.key).exclude(result={}).first()


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
