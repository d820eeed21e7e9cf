"""What of a station is to be swept before it can be called in: a seat, its face after a tilt, all after a move."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from enum import Enum
from typing import Any

from django.db.models import Max, Q

from linelog.alignment.models import MoveMade, Reading, Result, Seat, Stage, Sweep
from linelog.alignment.models.sweep import Method
from linelog.alignment.standing import AS_LEFT, Value
from linelog.plant.models import Station

Place = tuple[int, int]  # visit, station
When = dt.datetime | None  # None: never
LineMoved = tuple[dt.datetime, str] | None  # when a bushing was moved, and its kind


class Unswept(Enum):
    """A part that is still to be swept, and the sentence that says so."""

    MOVED = "Not swept since its last move."
    POSITIONS = "Not all swept: some positions are still to be read."
    FRONT = "Not all swept: the front seat is still to be read."
    REAR = "Not all swept: the rear seat is still to be read."
    FACE = "Not all swept: it was tilted, and its face was not swept after that."
    LINE_FRONT = "Swept before the front bushing moved: sweep it again."
    LINE_REAR = "Swept before the rear bushing moved: sweep it again."
    LEFT_FRONT = "The front bushing was moved, and the ram's line with it: sweep it as left."
    LEFT_REAR = "The rear bushing was moved, and the ram's line with it: sweep it as left."

    @property
    def sentence(self) -> str:
        """The whole of it."""
        return self.value

    @property
    def voids(self) -> bool:
        """Whether what was swept before tells nothing of how the station stands now, neither in nor out."""
        return self in (Unswept.MOVED, Unswept.LINE_FRONT, Unswept.LINE_REAR)


#: By the bushing that moved: what was swept before that as left, and what was not swept as left at all.
SWEPT_BEFORE: dict[str, Unswept] = {
    Station.Kind.FRONT_BUSHING.value: Unswept.LINE_FRONT,
    Station.Kind.REAR_BUSHING.value: Unswept.LINE_REAR,
}
LINE_AS_LEFT: dict[str, Unswept] = {
    Station.Kind.FRONT_BUSHING.value: Unswept.LEFT_FRONT,
    Station.Kind.REAR_BUSHING.value: Unswept.LEFT_REAR,
}
_OF_SEAT = {Seat.FRONT.value: Unswept.FRONT, Seat.REAR.value: Unswept.REAR}


def unswept(station: Station, static: Sequence[Value], open_parts: Collection[Unswept] = ()) -> tuple[Unswept, ...]:
    """Return what is still to be swept of a station of which something was.

    open_parts  what moves of the visit left open of it as left (`parts_open`, `parts_open_in`)
    """
    if not static:
        return ()
    swept = {value.seat for value in static}
    seats = tuple(_OF_SEAT[seat] for seat in station.seats if seat and seat not in swept)
    moved = open_parts if static[0].stage == AS_LEFT else ()
    return (*moved, *seats, *([Unswept.POSITIONS] if any(value.is_partial for value in static) else []))


def parts_open(
    station: Station, moves: Sequence[MoveMade], sweeps: Sequence[Sweep], line_moves: Sequence[MoveMade] = ()
) -> tuple[Unswept, ...]:
    """Return what moves left open of a station in its visit.

    moves       those of the station in the visit
    sweeps      those of the station in the visit, as left at least
    line_moves  those of the bushings in the visit, which move the line of every station
    """
    has_face = station.face_radius_mm is not None
    tilts = [move.at for move in moves if has_face and move.adjuster is not None and move.adjuster.along_z]
    left = [row for row in sweeps if row.stage == Stage.AS_LEFT]
    return _open(
        max((move.at for move in moves), default=None),
        max(tilts, default=None),
        last_read(row for row in left if row.kind == Sweep.Kind.RIM),
        last_read(row for row in left if row.kind == Sweep.Kind.FACE),
        max(((move.at, move.station.kind) for move in line_moves if not station.is_bushing), default=None),
    )


def _open(moved: When, tilted: When, rim: When, face: When, line: LineMoved) -> tuple[Unswept, ...]:
    """Say what is open from when a station was last moved, tilted where it has a face, and swept as left.

    line  when a bushing was last moved, and which
    """
    parts = [Unswept.MOVED] if moved and rim and rim < moved else []
    if line and any(swept is not None and swept < line[0] for swept in (rim, face)):
        parts.append(SWEPT_BEFORE[line[1]])
    if tilted and (face is None or face < tilted):
        parts.append(Unswept.FACE)
    return tuple(parts)


def last_read(rows: Iterable[Sweep]) -> When:
    """Return when the newest reading of these sweeps was typed."""
    return max((reading.at for row in rows for reading in row.readings.all()), default=None)


def parts_open_in(visits: Collection[int]) -> dict[Place, tuple[Unswept, ...]]:
    """Return the same of every station in some visits in which something was moved; one query, three then."""
    of_face = Q(adjuster__along_z=True, station__face_radius_mm__isnull=False)
    made = MoveMade.objects.filter(visit__in=list(visits)).order_by()
    moves: dict[Place, tuple[When, When]] = {}
    lines: dict[int, tuple[dt.datetime, str]] = {}
    each = made.values_list("visit_id", "station_id", "station__kind")
    rows: Any = each.annotate(last=Max("at"), tilted=Max("at", filter=of_face))
    for visit, station, kind, moved, tilted in rows:
        moves[visit, station] = moved, tilted
        if kind in Station.BUSHINGS:
            lines[visit] = max(lines.get(visit, (moved, kind)), (moved, kind))
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
    for place in {*moves, *stored, *(key[:2] for key in swept)}:
        moved_at, tilted_at = moves.get(place, (None, None))
        rim = swept.get((*place, Sweep.Kind.RIM.value)) or stored.get(place)
        face = swept.get((*place, Sweep.Kind.FACE.value))
        if parts := _open(moved_at, tilted_at, rim, face, lines.get(place[0])):
            found[place] = parts
    return found
