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
    """Return the bushings of machines that were measured, in three queries."""
    stations = Station.objects.filter(machine__in=list(machines), is_active=True, kind__in=Station.BUSHINGS)
    rows = {one.pk: one for one in stations.select_related("machine__line__plant").order_by("machine", "order", "pk")}
    signed = {"station__in": list(rows), "visit__state": Visit.State.SIGNED}
    fitted = {new.station_id: new for new in BushingFitted.objects.filter(**signed).order_by("fitted_on", "pk")}
    measured: dict[int, list[tuple[float, float]]] = defaultdict(list)
    clearances = BushingClearance.objects.filter(**signed).select_related("visit").order_by("at", "pk")
    for one in clearances:
        day = local_day(rows[one.station_id].machine.line.plant, one.at)
        if is_of(one, day, fitted.get(one.station_id)):
            measured[one.station_id].append((float(day.toordinal()), one.clearance_um / one.limit_um))
    known = [pk for pk in rows if measured[pk]]
    now = bushings_now([measured[pk] for pk in known], float(today.toordinal()))
    found: dict[int, list[BushingNow]] = defaultdict(list)
    for number, pk in enumerate(known):
        opens, saves = float(now.opens[number]), float(now.saves[number])
        found[rows[pk].machine_id].append(BushingNow(pk, rows[pk].hours_to_open, opens, saves))
    return found
