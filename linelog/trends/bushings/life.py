"""The life of each bushing of a machine, from its clearances in signed visits and the strokes counted between."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from linelog.alignment.models import BushingClearance, BushingFitted, Visit
from linelog.alignment.results.worn import is_of
from linelog.alignment.services.bushings import wear_limit_um
from linelog.calc.errors import CalcError
from linelog.calc.wear import Wear, fit_wear
from linelog.plant.models import Machine, Station
from linelog.production.days import local_day
from linelog.production.queries import DaySeries, day_counts
from linelog.trends.due.tracks import Strokes

RECENT_DAYS = 90  # whose strokes a day are taken for the days to come; common practice, no source
FARTHEST_DAYS = 3650


@dataclass(frozen=True, slots=True)
class Measured:
    """One clearance of a bushing; `million` strokes since its life began, None where none are counted."""

    row: BushingClearance
    day: dt.date
    million: float | None


@dataclass(frozen=True, slots=True)
class Expected:
    """The day on which the wear limit is expected; `late` is None where it may never be."""

    on: dt.date
    early: dt.date
    late: dt.date | None


@dataclass(frozen=True, slots=True)
class Life:
    """The bushing that runs at a station now. `since` is when it was fitted, or None where that is not on record."""

    station: Station
    fitted: BushingFitted | None
    measured: tuple[Measured, ...]
    limit_um: float
    million: float | None
    by_strokes: bool
    wear: Wear | None
    why_not: str
    expected: Expected | None

    @property
    def last(self) -> Measured | None:
        """The newest measurement."""
        return self.measured[-1] if self.measured else None

    @property
    def per(self) -> str:
        """What its growth is told per."""
        return "million strokes" if self.by_strokes else "30 days"


def lives(machine: Machine, today: dt.date) -> list[Life]:
    """Return the life of each bushing of a machine, in five queries."""
    plant = machine.line.plant
    stations = list(machine.stations.filter(is_active=True, kind__in=Station.BUSHINGS).order_by("order", "pk"))
    signed = {"station__in": stations, "visit__state": Visit.State.SIGNED}
    rows = BushingClearance.objects.filter(**signed).select_related("visit").order_by("at", "pk")
    fitted: dict[int, BushingFitted] = {}
    for new in BushingFitted.objects.filter(**signed).order_by("fitted_on", "pk"):
        fitted[new.station_id] = new
    by_station: dict[int, list[tuple[BushingClearance, dt.date]]] = defaultdict(list)
    for row in rows:
        day = local_day(plant, row.at)  # as the day of fitting, which a person types
        if is_of(row, day, fitted.get(row.station_id)):
            by_station[row.station_id].append((row, day))
    counts = day_counts(machine, None, None) if rows or fitted else None
    return [
        _life(one, fitted.get(one.pk), by_station[one.pk], wear_limit_um(one, plant), counts, today)
        for one in stations
    ]


def _life(
    station: Station,
    fitted: BushingFitted | None,
    rows: list[tuple[BushingClearance, dt.date]],
    limit_um: float,
    counts: DaySeries | None,
    today: dt.date,
) -> Life:
    strokes = Strokes.of(counts.day, counts.made) if counts is not None else Strokes.of([], [])
    began = fitted.fitted_on if fitted else rows[0][1] if rows else None
    counted = began is not None and strokes.between(began, today) > 0.0
    measured = tuple(
        Measured(row, day, strokes.between(began, day) if began and counted else None) for row, day in rows
    )
    wear, why_not = _wear(measured, began, limit_um)
    a_day = strokes.between(today - dt.timedelta(days=RECENT_DAYS), today) / RECENT_DAYS if counted else 1.0
    return Life(
        station=station,
        fitted=fitted,
        measured=measured,
        limit_um=limit_um,
        million=strokes.between(began, today) if began and counted else None,
        by_strokes=counted,
        wear=wear,
        why_not=why_not,
        expected=_expected(wear, measured, began, a_day),
    )


def _wear(measured: tuple[Measured, ...], began: dt.date | None, limit_um: float) -> tuple[Wear | None, str]:
    if began is None:
        return None, "Its clearance was not measured yet."
    x = [one.million if one.million is not None else float((one.day - began).days) for one in measured]
    u_um = float(np.mean([one.row.expanded_um / 2.0 for one in measured])) if measured else 0.0
    try:
        return fit_wear(x, [one.row.clearance_um for one in measured], limit_um, u_um=u_um), ""
    except CalcError as error:
        return None, error.message


def _expected(
    wear: Wear | None, measured: tuple[Measured, ...], began: dt.date | None, a_day: float
) -> Expected | None:
    """Turn the crossing into days: from the last measurement on, by the strokes a day of late."""
    if wear is None or wear.crossing is None or began is None or a_day <= 0.0:
        return None
    last = measured[-1]
    done = last.million if last.million is not None else float((last.day - began).days)

    def on(at: float) -> dt.date | None:
        days = (at - done) / a_day
        return last.day + dt.timedelta(days=max(round(days), -FARTHEST_DAYS)) if days <= FARTHEST_DAYS else None

    middle, early = on(wear.crossing.at), on(wear.crossing.low)
    return Expected(middle, early, on(wear.crossing.high)) if middle and early else None
