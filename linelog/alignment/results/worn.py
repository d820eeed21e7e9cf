"""Bushings that are worn out as they run now: by the newest clearance of each in signed visits, in three queries."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import OuterRef, Subquery

from linelog.alignment.models import BushingClearance, BushingFitted, Stage, Visit
from linelog.plant.models import Station

OUT = "out"


@dataclass(frozen=True, slots=True)
class Worn:
    """A bushing whose clearance is proven beyond its wear limit: um, and its share of the limit."""

    station: Station
    clearance: BushingClearance

    @property
    def severity(self) -> float:
        """The clearance as a share of the wear limit that held when it was measured."""
        return self.clearance.clearance_um / self.clearance.limit_um

    @property
    def words(self) -> str:
        """How it reads in a sentence."""
        return f"{self.station} is worn out, its clearance {self.severity:.2f} of the wear limit"


def worn_now(machines: Iterable[int], at: dt.datetime) -> dict[int, list[Worn]]:
    """Return the worn bushings of the machines at a moment, the worst first; one renewed since is none."""
    signed = {"station": OuterRef("pk"), "visit__state": Visit.State.SIGNED, "visit__opened_at__lte": at}
    last = BushingClearance.objects.filter(**signed).order_by("-at", "-pk").values("pk")[:1]
    new = BushingFitted.objects.filter(**signed).order_by("-fitted_on", "-pk").values("pk")[:1]
    stations = Station.objects.filter(machine__in=list(machines), is_active=True, kind__in=Station.BUSHINGS)
    stations = stations.select_related("machine__line__plant").order_by("order")
    rows = list(stations.annotate(last=Subquery(last), new=Subquery(new)))
    clearances = BushingClearance.objects.select_related("visit").in_bulk([row.last for row in rows if row.last])
    fitted = BushingFitted.objects.in_bulk([row.new for row in rows if row.new])
    found: dict[int, list[Worn]] = defaultdict(list)
    for row in rows:
        clearance = clearances.get(row.last)
        if clearance is None or clearance.verdict != OUT:
            continue
        day = clearance.at.astimezone(zoneinfo.ZoneInfo(row.machine.line.plant.timezone)).date()
        if is_of(clearance, day, fitted.get(row.new)):
            found[row.machine_id].append(Worn(row, clearance))
    return {pk: sorted(some, key=lambda one: -one.severity) for pk, some in found.items()}


def is_of(clearance: BushingClearance, day: dt.date, fitted: BushingFitted | None) -> bool:
    """Whether a clearance of a day is of the bushing that runs now, not of one that was renewed after it."""
    if fitted is None:
        return True
    if clearance.visit_id == fitted.visit_id:
        return clearance.stage == Stage.AS_LEFT or day > fitted.fitted_on
    return day >= fitted.fitted_on
