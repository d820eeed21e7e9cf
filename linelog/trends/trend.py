"""Everything the charts and tables of one machine rest on, read once and handed to both."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from dataclasses import dataclass

import numpy as np
from django.db.models import QuerySet

from linelog.alignment.models import Result
from linelog.alignment.results.as_runs import as_set
from linelog.alignment.running import knowledge_of
from linelog.alignment.values import signed_results, standing
from linelog.plant.models import Machine, Station
from linelog.production.days import day_begins, zone
from linelog.production.queries import day_counts
from linelog.trends.choice import Choice, Grain
from linelog.trends.queries.marks import Mark, MarkKind, marks
from linelog.trends.rates import MEASURES, Counted, RateTrend, counted, rate_trend
from linelog.trends.series import FEWEST_VISITS, OffsetSeries, offset_series


@dataclass(frozen=True, slots=True)
class Trend:
    """A machine's measurements, counts and marks in the chosen span."""

    machine: Machine
    stations: tuple[Station, ...]
    choice: Choice
    zone: zoneinfo.ZoneInfo
    offsets: tuple[OffsetSeries, ...]
    set_aside: int
    counted: Counted
    rates: dict[str, RateTrend | None]
    marks: tuple[Mark, ...]

    @property
    def visits(self) -> int:
        """Signed visits that measured one of the chosen stations."""
        return len({value.visit_id for series in self.offsets for value in series.values})

    @property
    def offsets_enough(self) -> bool:
        """Whether there are visits enough to speak of a trend."""
        return self.visits >= FEWEST_VISITS

    def marks_of(self, kind: MarkKind) -> list[Mark]:
        """Return the marks of one kind in the order of time."""
        return [mark for mark in self.marks if mark.kind is kind]

    @property
    def begins(self) -> dt.datetime:
        """Where the time axis begins: with the span, or with the first that is known."""
        plant = self.machine.line.plant
        if self.choice.since is not None:
            return day_begins(plant, self.choice.since)
        first = [self.marks_of(kind)[0].at for kind in MarkKind if self.marks_of(kind)]
        if len(self.counted.days):
            first.append(day_begins(plant, self.counted.days.day[0].astype(dt.date)))
        return min(first, default=self.ends - dt.timedelta(days=28))

    @property
    def ends(self) -> dt.datetime:
        """Where the time axis ends: with today's production day, or with the week that it lies in."""
        days = 7 - self.choice.until.weekday() if self.counted.by_week else 1
        return day_begins(self.machine.line.plant, self.choice.until + dt.timedelta(days=days))

    def noon_ms(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Wall-clock milliseconds in the middle of each day or week of the counts."""
        return self.starts_ms() + self.counted.step * 43_200_000.0

    def starts_ms(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Wall-clock milliseconds at which each day or week of the counts begins."""
        starts = self.machine.line.plant.day_starts
        shift = (starts.hour * 60 + starts.minute) * 60_000.0
        return self.counted.days.day.astype("datetime64[ms]").astype(np.float64) + shift


def load(machine: Machine, stations: list[Station], choice: Choice) -> Trend:
    """Read a machine's trend in nine queries, however long the span."""
    chosen = tuple(station for station in stations if station.pk in choice.stations)
    found = standing(_in_span(machine, choice).filter(station__in=[station.pk for station in chosen]))
    values = as_set(found.values, chosen, {machine.pk: knowledge_of(machine, chosen)})
    sums = counted(day_counts(machine, choice.since, choice.until), by_week=choice.grain is Grain.WEEK)
    return Trend(
        machine=machine,
        stations=chosen,
        choice=choice,
        zone=zone(machine.line.plant),
        offsets=tuple(offset_series(values, chosen)),
        set_aside=found.set_aside,
        counted=sums,
        rates={measure.key: rate_trend(measure, sums.days) for measure in MEASURES},
        marks=tuple(marks(machine, choice.since, choice.until)),
    )


def _in_span(machine: Machine, choice: Choice) -> QuerySet[Result]:
    plant = machine.line.plant
    rows = signed_results(machine).filter(visit__opened_at__lt=day_begins(plant, choice.until + dt.timedelta(days=1)))
    return rows if choice.since is None else rows.filter(visit__opened_at__gte=day_begins(plant, choice.since))
