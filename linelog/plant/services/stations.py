"""The stations of a machine and their adjusters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from linelog.calc.errors import CalcError
from linelog.plant.adjusting import adjuster_of
from linelog.plant.models import Adjuster, Machine, Station
from linelog.plant.services import rows
from linelog.plant.services.machines import record_order
from linelog.web.errors import Conflict, Refused

STATION_TAKEN = "This machine has a station of this name already."
ADJUSTER_TAKEN = "This station has an adjuster of this name already."
MOST_ADJUSTERS = 16
# What the sums call a field, and what the form calls it.
FIELDS = {"direction": "pushes", "clock_deg": "direction_deg", "tilt_at_mm": "at_x_mm"}


def add_station(*, by: Any, at: datetime, machine: Machine, facts: Mapping[str, Any]) -> Station:
    """Add a station; it takes its place along the ram, and can be moved in the list."""
    with transaction.atomic():
        rows.locked(by, machine)
        others = list(machine.stations.order_by("order", "pk"))
        station = Station(machine=machine, order=0, **facts)
        _station_rules(station)
        rows.add(by=by, at=at, row=station, taken=STATION_TAKEN)
        place = next((n for n, other in enumerate(others) if other.z_mm > station.z_mm), len(others))
        _number([*others[:place], station, *others[place:]])
        station.refresh_from_db()
    return station


def change_station(*, by: Any, at: datetime, station: Station, version: int, facts: Mapping[str, Any]) -> Station:
    """Change what is known of a station."""
    return rows.change(
        by=by, at=at, row=station, version=version, facts=facts, taken=STATION_TAKEN, rules=_station_rules
    )


def _station_rules(station: Station) -> None:
    if station.rear_z_mm is not None and station.rear_z_mm >= station.z_mm:
        raise Refused(
            f"The rear seat lies behind the front one: this must be below {station.z_mm:g} mm.", field="rear_z_mm"
        )
    if station.surface == Station.Surface.BORE and station.carrier == Station.Carrier.COMPONENT:
        raise Refused(
            "An indicator on the component sweeps the outside of the ram: choose the outside diameter.",
            field="surface",
        )
    if station.limit_um <= 0:
        raise Refused("A limit must be above zero.", field="limit_um")


def set_active(*, by: Any, at: datetime, station: Station, version: int, active: bool) -> Station:
    """Take a station out of use, or back into it; what was measured there stays."""
    action = "took back into use" if active else "took out of use"
    return rows.change(by=by, at=at, row=station, version=version, facts={"is_active": active}, action=action)


def remove_station(*, by: Any, at: datetime, station: Station, version: int) -> None:
    """Remove a station that no visit has touched."""
    sentence = f"{station} has visits: it can be taken out of use, but not removed."
    rows.remove(by=by, at=at, row=station, version=version, in_use=sentence)


def move_station(*, by: Any, at: datetime, station: Station, place: int, steps: int) -> None:
    """Move a station in the list by whole places; `place` is where the person saw it, counted from 1."""
    with transaction.atomic():
        machine = rows.locked(by, station.machine)
        ordered = list(machine.stations.order_by("order", "pk"))
        now = next((n for n, other in enumerate(ordered) if other.pk == station.pk), None)
        if now is None:
            raise Refused(f"{station} was removed meanwhile.")
        if now != place - 1:
            raise Conflict(f"The order was changed by somebody else meanwhile: {station} stands at {now + 1}.")
        before = [other.name for other in ordered]
        ordered.insert(max(0, now + steps), ordered.pop(now))
        _number(ordered)
        record_order(by, at, machine, before, [other.name for other in ordered])


def _number(ordered: Sequence[Station]) -> None:
    for number, station in enumerate(ordered, start=1):
        if station.order != number:
            Station.objects.filter(pk=station.pk).update(order=number)


def add_adjuster(*, by: Any, at: datetime, station: Station, facts: Mapping[str, Any]) -> Adjuster:
    """Add an adjuster to a station."""
    with transaction.atomic():
        rows.locked(by, station)
        already = list(station.adjusters.values_list("order", flat=True))
        if len(already) >= MOST_ADJUSTERS:
            raise Refused(f"A station can have at most {MOST_ADJUSTERS} adjusters.")
        adjuster = Adjuster(station=station, order=max(already, default=0) + 1, **facts)
        _adjuster_rules(adjuster)
        return rows.add(by=by, at=at, row=adjuster, taken=ADJUSTER_TAKEN)


def change_adjuster(*, by: Any, at: datetime, adjuster: Adjuster, version: int, facts: Mapping[str, Any]) -> Adjuster:
    """Change an adjuster; bounds are typed from where it stands, so that moves count from now where they changed."""
    if any(facts.get(name, getattr(adjuster, name)) != getattr(adjuster, name) for name in ("min_um", "max_um")):
        facts = {**facts, "bounds_at": at}
    return rows.change(
        by=by, at=at, row=adjuster, version=version, facts=facts, taken=ADJUSTER_TAKEN, rules=_adjuster_rules
    )


def _adjuster_rules(adjuster: Adjuster) -> None:
    if adjuster.min_um >= adjuster.max_um:
        raise Refused("The least travel must be below the greatest.", field="min_um")
    if adjuster.stock and adjuster.stock.plant_id != adjuster.station.machine.line.plant_id:
        raise Refused("Choose a stock of this plant.", field="stock")
    try:
        adjuster_of(adjuster)  # what the sums would refuse later is refused now
    except CalcError as error:
        raise Refused(error.message, field=FIELDS.get(error.field or "", error.field)) from None


def remove_adjuster(*, by: Any, at: datetime, adjuster: Adjuster, version: int) -> None:
    """Remove an adjuster that no move refers to."""
    sentence = f"Moves of {adjuster} are in the log: it can be changed, but not removed."
    rows.remove(by=by, at=at, row=adjuster, version=version, in_use=sentence)
