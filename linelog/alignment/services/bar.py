"""The bar in the cradle: how it is set up in a visit, and sub-assemblies set to it by a centring fitting."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime

from django.db import transaction

from linelog.alignment.limits import in_force
from linelog.alignment.models import BarSetup, SetByFitting, Sweep, Visit
from linelog.alignment.services.guard import locked_open_visit
from linelog.alignment.services.results import store_results
from linelog.plant.models import Person, Station
from linelog.web import audit
from linelog.web.errors import Conflict, Refused


@dataclass(frozen=True, slots=True)
class BarChoice:
    """A bar as it was set up, um: sag as indicated (twice the droop), its standard uncertainty, U of its centring."""

    sag_um: float
    sag_uncertainty_um: float
    centring_um: float
    note: str
    unit: str


@transaction.atomic
def set_up_bar(*, by: Person, visit: Visit, choice: BarChoice, version: int, at: datetime) -> BarSetup:
    """Keep the set-up of the bar, and compute every station anew that was swept from it."""
    fresh = locked_open_visit(visit, by)
    stored = BarSetup.objects.filter(visit=fresh).select_related("by").first()
    if (stored.version if stored else 0) != version:
        raise Conflict(
            "Somebody else changed the set-up of the bar meanwhile; yours is not stored yet.", theirs=stored
        )
    before = audit.snapshot(stored) if stored else None
    row, _ = BarSetup.objects.update_or_create(
        visit=fresh, defaults={**asdict(choice), "by": by, "at": at, "version": version + 1}
    )
    audit.record(by=by, action="set up bar", obj=row, at=at, before=before, after=audit.snapshot(row))
    swept = Sweep.objects.filter(visit=fresh, carrier=Station.Carrier.BAR).select_related("station")
    for station, stage in {(sweep.station, sweep.stage) for sweep in swept}:
        store_results(visit=fresh, station=in_force(fresh, [station])[0], stage=stage, at=at)
    return row


@transaction.atomic
def set_by_fitting(*, by: Person, visit: Visit, station: Station, fitting: str, at: datetime) -> SetByFitting:
    """Keep that a sub-assembly was set to the bar by a fitting; said again, the last word stands."""
    fresh = locked_open_visit(visit, by)
    if not fitting.strip():
        raise Refused("Name the fitting.", field="fitting")
    if station.machine_id != fresh.machine_id or station.is_bushing:
        raise Refused("This is no station that is set to the bar.", field="station")
    if not BarSetup.objects.filter(visit=fresh).exists():
        raise Refused("Log the set-up of the bar first: the station rests on it.", field="station")
    earlier = SetByFitting.objects.filter(visit=fresh, station=station).first()
    before = audit.snapshot(earlier) if earlier else None
    row, _ = SetByFitting.objects.update_or_create(
        visit=fresh, station=station, defaults={"fitting": fitting.strip(), "by": by, "at": at}
    )
    audit.record(by=by, action="set by fitting", obj=row, at=at, before=before, after=audit.snapshot(row))
    return row


@transaction.atomic
def take_fitting_back(*, by: Person, visit: Visit, station: Station, at: datetime) -> None:
    """Take back that a sub-assembly was set by a fitting; the history keeps it."""
    fresh = locked_open_visit(visit, by)
    row = SetByFitting.objects.filter(visit=fresh, station=station).first()
    if row is not None:
        audit.record(by=by, action="took setting by fitting back", obj=row, at=at, before=audit.snapshot(row))
        row.delete()
