"""How the bushings of machines stand by now, measured or not: by their own pace of wear and that of all."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from linelog.alignment.models import BushingClearance, BushingFitted, Visit
from linelog.alignment.results.worn import is_of
from linelog.calc.bushing_now import bushings_now
from linelog.plant.models import Station
from linelog.production.days import local_day


@dataclass(frozen=True, slots=True)
class BushingNow:
    """The chance that a visit finds a bushing worn out, and the limits of clearance that it then saves."""

    station: int
    hours_to_open: float
    opens: float
    saves: float


def bushings_of(machines: Iterable[int], today: dt.date) -> dict[int, list[BushingNow]]:
    """Return the bushings of machines that were measured, in two queries."""
    signed = {
        "station__machine__in": list(machines),
        "station__is_active": True,
        "station__kind__in": Station.BUSHINGS,
        "visit__state": Visit.State.SIGNED,
    }
    fitted = {new.station_id: new for new in BushingFitted.objects.filter(**signed).order_by("fitted_on", "pk")}
    measured: dict[Station, list[tuple[float, float]]] = defaultdict(list)
    clearances = BushingClearance.objects.filter(**signed).select_related("visit", "station__machine__line__plant")
    for one in clearances.order_by("at", "pk"):
        day = local_day(one.station.machine.line.plant, one.at)
        if is_of(one, day, fitted.get(one.station_id)):
            measured[one.station].append((float(day.toordinal()), one.clearance_um / one.limit_um))
    now = bushings_now(list(measured.values()), float(today.toordinal()))
    found: dict[int, list[BushingNow]] = defaultdict(list)
    for number, station in enumerate(measured):
        opens, saves = float(now.opens[number]), float(now.saves[number])
        found[station.machine_id].append(BushingNow(station.pk, station.hours_to_open, opens, saves))
    return found
