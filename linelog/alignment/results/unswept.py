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
When = dt.datetime | None  # None: never


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


def unswept(
    station: Station, static: Sequence[Value], open_parts: Collection[Unswept] = (), *, is_partial: bool = False
) -> tuple[Unswept, ...]:
    """Return what is still to be swept of a station of which something was.

    open_parts  what moves of the visit left open of it as left (`parts_open`, `parts_open_in`)
    is_partial  whether a value rests on a sweep with a position left out
    """
    if not static:
        return ()
    swept = {value.seat for value in static}
    seats = tuple(_OF_SEAT[seat] for seat in station.seats if seat and seat not in swept)
    moved = open_parts if static[0].stage == AS_LEFT else ()
    return (*moved, *seats, *([Unswept.POSITIONS] if is_partial else []))


def parts_open(station: Station, moves: Sequence[MoveMade], sweeps: Sequence[Sweep]) -> tuple[Unswept, ...]:
    """Return what moves left open of a station in its visit.

    moves   those of the station in the visit
    sweeps  those of the station in the visit, as left at least
    """
    has_face = station.face_radius_mm is not None
    tilts = [move.at for move in moves if has_face and move.adjuster is not None and move.adjuster.along_z]
    left = [row for row in sweeps if row.stage == Stage.AS_LEFT]
    return _open(
        max((move.at for move in moves), default=None),
        max(tilts, default=None),
        last_read(row for row in left if row.kind == Sweep.Kind.RIM),
        last_read(row for row in left if row.kind == Sweep.Kind.FACE),
    )


def _open(moved: When, tilted: When, rim: When, face: When) -> tuple[Unswept, ...]:
    """Say what is open from when a station was last moved, tilted where it has a face, and swept as left."""
    parts = [Unswept.MOVED] if moved and rim and rim < moved else []
    if tilted and (face is None or face < tilted):
        parts.append(Unswept.FACE)
    return tuple(parts)


def last_read(rows: Iterable[Sweep]) -> When:
    """Return when the newest reading of these sweeps was typed."""
    return max((reading.at for row in rows for reading in row.readings.all()), default=None)


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
        if parts := _open(last, tilted, rim, swept.get((*place, Sweep.Kind.FACE.value))):
            found[place] = parts
    return found
