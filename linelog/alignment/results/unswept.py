"""What of a station is still to be swept before it can be called in: a seat, or its face after it was tilted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from enum import Enum

from django.db.models import Max

from linelog.alignment.models import MoveMade, Reading, Seat, Stage, Sweep
from linelog.alignment.standing import AS_LEFT, Value
from linelog.plant.models import Station

NEVER = dt.datetime.min.replace(tzinfo=dt.UTC)


class Unswept(Enum):
    """A part that is still to be swept, and the sentence that says so."""

    FRONT = "Not all swept: the front seat is still to be read."
    REAR = "Not all swept: the rear seat is still to be read."
    FACE = "Not all swept: it was tilted, and its face was not swept after that."

    @property
    def sentence(self) -> str:
        """The whole of it."""
        return self.value


_OF_SEAT = {Seat.FRONT.value: Unswept.FRONT, Seat.REAR.value: Unswept.REAR}


def unswept(station: Station, static: Sequence[Value], *, face: bool) -> tuple[Unswept, ...]:
    """Return what is still to be swept of a station of which something was; `face`: it was tilted, and not swept."""
    if not static:
        return ()
    swept = {value.seat for value in static}
    seats = tuple(_OF_SEAT[seat] for seat in station.seats if seat and seat not in swept)
    return (*seats, Unswept.FACE) if face and static[0].stage == AS_LEFT else seats


def face_unswept(station: Station, moves: Iterable[MoveMade], sweeps: Sequence[Sweep]) -> bool:
    """Whether a station that has a face was tilted in a visit and its face was not swept as left after that.

    moves   those of the station in the visit
    sweeps  those of the station in the visit, as left at least
    """
    tilts = [move.at for move in moves if move.adjuster is not None and move.adjuster.along_z]
    faces = [row for row in sweeps if row.kind == Sweep.Kind.FACE]
    if not tilts or not (faces or station.face_radius_mm is not None):
        return False
    return last_read(row for row in faces if row.stage == Stage.AS_LEFT) < max(tilts)


def last_read(rows: Iterable[Sweep]) -> dt.datetime:
    """Return when the newest reading of these sweeps was typed; the beginning of time where there is none."""
    return max((reading.at for row in rows for reading in row.readings.all()), default=NEVER)


def faces_unswept(visits: Collection[int]) -> set[tuple[int, int]]:
    """Return visit and station of every face that `face_unswept` speaks of; one query, two where one was tilted."""
    tilts = MoveMade.objects.filter(visit__in=list(visits), adjuster__along_z=True)
    tilts = tilts.filter(station__face_radius_mm__isnull=False).order_by()
    tilted = {row[:2]: row[2] for row in tilts.values_list("visit_id", "station_id").annotate(last=Max("at"))}
    if not tilted:
        return set()
    faces = Reading.objects.filter(sweep__visit__in={visit for visit, _ in tilted}, sweep__stage=Stage.AS_LEFT)
    faces = faces.filter(sweep__kind=Sweep.Kind.FACE).order_by()
    rows = faces.values_list("sweep__visit_id", "sweep__station_id").annotate(last=Max("at"))
    swept = {row[:2]: row[2] for row in rows}
    return {place for place, at in tilted.items() if swept.get(place, NEVER) < at}
