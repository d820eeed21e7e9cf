"""The names of the day a visit was signed: kept with the signature, and put in the place of today's when shown."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from linelog.alignment.models import MoveMade, Photo, Reading, Signature, Visit
from linelog.plant.models import Person, Station


def names_of(visit: Visit) -> dict[str, Any]:
    """Return the names that a visit's pages use, as they are now."""
    machine = visit.machine
    stations = list(machine.stations.all())
    people = {visit.opened_by_id}
    people |= set(Reading.objects.filter(sweep__visit=visit).order_by().values_list("by", flat=True).distinct())
    for model in (MoveMade, Photo):
        people |= set(model.objects.filter(visit=visit).order_by().values_list("by", flat=True).distinct())
    moved = MoveMade.objects.filter(visit=visit, adjuster__isnull=False).select_related("adjuster")
    return {
        **about(visit),
        "stations": {str(station.pk): station.name for station in stations},
        "adjusters": {str(move.adjuster_id): str(move.adjuster) for move in moved},
        "people": {str(person.pk): str(person) for person in Person.objects.filter(pk__in=people)},
    }


def about(visit: Visit) -> dict[str, Any]:
    """Return the names of the place and of who opened the visit alone."""
    machine = visit.machine
    return {
        "machine": machine.name,
        "line": machine.line.name,
        "plant": machine.line.plant.name,
        "opened_by": str(visit.opened_by),
    }


def signature_of(visit: Visit) -> Signature | None:
    """Return the signature of a visit, None where it has none."""
    return getattr(visit, "signature", None)


def as_signed(visit: Visit, stations: Iterable[Station] = (), made: Iterable[MoveMade | Photo] = ()) -> Visit:
    """Give the rows in hand the names of the day the visit was signed. They are for showing: never save them."""
    signature = signature_of(visit)
    if signature is None:
        return visit
    names, machine = signature.names, visit.machine
    machine.name = names.get("machine", machine.name)
    machine.line.name = names.get("line", machine.line.name)
    for station in stations:
        station.name = names.get("stations", {}).get(str(station.pk), station.name)
    for row in made:
        row.by.first_name, row.by.last_name = person_as_signed(visit, row.by), ""
        if isinstance(row, MoveMade) and row.adjuster is not None:
            row.adjuster.name = names.get("adjusters", {}).get(str(row.adjuster_id), row.adjuster.name)
    return visit


def person_as_signed(visit: Visit, person: Person) -> str:
    """Return what a person was called when the visit was signed; today's name where it is not, or never knew them."""
    signature = signature_of(visit)
    return str(person) if signature is None else signature.names.get("people", {}).get(str(person.pk), str(person))
