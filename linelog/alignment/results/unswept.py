"""What of a station is to be swept before it can be called in: a seat, its face after a tilt, all after a move."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from enum import Enum

from django.db.models import Max, Q

from linelog.alignment.models import MoveMade, Reading, Result, Seat, Stage, Sweep
from linelog.alignment.models.sweep import Method
from linelog.alignment.standing import AS_LEFT, Value
from linelog.plant.models import Station

Place = tuple[int, int]  # visit, station
NEVER = dt.datetime.min.replace(tzinfo=dt.UTC)


class Unswept(Enum):
    """A part that is still to be swept, and the sentence that says so."""

    MOVED = "Not swept since its last move."
    POSITIONS = "Not all swept: some positions are still to be read."
    FRONT = "Not all swept: the front seat is still to be read."
    REAR = "Not all swept: the rear seat is still to be read."
    FACE = "Not all swept: it was tilted, and its face was not swept after that."

    @property
    def sentence(self) -> str:
        """The whole of it."""
        return self.value


_OF_SEAT = {Seat.FRONT.value: Unswept.FRONT, Seat.REAR.value: Unswept.REAR}


def unswept(station: Station, static: Sequence[Value], open_parts: Collection[Unswept] = ()) -> tuple[Unswept, ...]:
    """Return what is still to be swept of a station of which something was.

    open_parts  what moves of the visit left open of it as left (`parts_open`, `parts_open_in`)
    """
    if not static:
        return ()
    swept = {value.seat for value in static}
    seats = tuple(_OF_SEAT[seat] for seat in station.seats if seat and seat not in swept)
    return (*open_parts, *seats) if static[0].stage == AS_LEFT else seats


def parts_open(station: Station, moves: Sequence[MoveMade], sweeps: Sequence[Sweep]) -> tuple[Unswept, ...]:
    """Return what moves left open of a station in its visit; as `face_unswept` otherwise."""
    rims = [row for row in sweeps if row.kind == Sweep.Kind.RIM and row.stage == Stage.AS_LEFT]
    last = last_read(rims)
    moved = bool(moves) and NEVER < last < max(move.at for move in moves)
    face = face_unswept(station, moves, sweeps)
    return (*([Unswept.MOVED] if moved else []), *([Unswept.FACE] if face else []))


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


def parts_open_in(visits: Collection[int]) -> dict[Place, tuple[Unswept, ...]]:
    """Return the same of every station moved in some visits; one query, three where something was."""
    of_face = Q(adjuster__along_z=True, station__face_radius_mm__isnull=False)
    made = MoveMade.objects.filter(visit__in=list(visits)).order_by().values_list("visit_id", "station_id")
    moves = {row[:2]: row[2:] for row in made.annotate(last=Max("at"), tilted=Max("at", filter=of_face))}
    if not moves:
        return {}
    moved_in = {visit for visit, _ in moves}
    left = Reading.objects.filter(sweep__visit__in=moved_in, sweep__stage=Stage.AS_LEFT).order_by()
    columns = ("sweep__visit_id", "sweep__station_id", "sweep__kind")
    swept = {row[:3]: row[3] for row in left.values_list(*columns).annotate(last=Max("at"))}
    kept = Result.objects.filter(visit__in=moved_in, stage=Stage.AS_LEFT, method=Method.STATIC, carried=False)
    stored = {
        row[:2]: row[2] for row in kept.order_by().values_list("visit_id", "station_id").annotate(last=Max("at"))
    }
    found = {}
    for place, (last, tilted) in moves.items():
        rim = swept.get((*place, Sweep.Kind.RIM.value)) or stored.get(place)
        parts = [Unswept.MOVED] if rim is not None and rim < last else []
        if tilted is not None and swept.get((*place, Sweep.Kind.FACE.value), NEVER) < tilted:
            parts.append(Unswept.FACE)
        if parts:
            found[place] = tuple(parts)
    return found
