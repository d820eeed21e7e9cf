"""Sweeps as left from before and after a move: what is older than the move was measured of what is no more.

Such readings are kept, with their history, and count for nothing. A move logged after the last reading leaves all as
it is: it may have been logged late, and the signing page says so. A bushing that is moved takes the ram's line with
it, so its moves are those of every station.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence

from django.db.models import OuterRef, Q

from linelog.alignment.models import Reading, Stage, Sweep
from linelog.plant.models import Station

Swept = tuple[Sweep, Sequence[Reading]]


def moves_of(station: int | Station | OuterRef) -> Q:
    """Return the condition of the moves that a sweep of a station can be older than: its own, and the bushings'."""
    return Q(station=station) | Q(station__kind__in=Station.BUSHINGS)


def moved_before(readings: Collection[Reading], moved_at: Iterable[dt.datetime]) -> dt.datetime | None:
    """Return the last move that was made before the newest of some readings; None where none was."""
    newest = max((reading.at for reading in readings), default=None)
    return max((at for at in moved_at if newest is not None and at < newest), default=None)


def since_last_move(swept: Iterable[Swept], stage: str, moved_at: Collection[dt.datetime]) -> list[Swept]:
    """Leave out the readings as left that are older than a move made before the newest one.

    moved_at  when the moves of this station and of the bushings (`moves_of`) were logged in this visit

    Seats are one body: read again at one of them after a move, the other's older readings go as well. A face is
    asked for by itself: a move that does not tilt leaves it as it was.
    """
    given = list(swept)
    if stage != Stage.AS_LEFT or not moved_at:
        return given
    found: list[Swept] = []
    for row, readings in given:
        together = [one for other, some in given if other.kind == row.kind for one in some]
        since = moved_before(together, moved_at)
        found.append((row, [one for one in readings if since is None or one.at > since]))
    return found


def is_older(readings: Collection[Reading], moved_at: Collection[dt.datetime]) -> bool:
    """Whether a move was logged after the newest of some readings; of none nothing is told."""
    return bool(readings and moved_at) and max(one.at for one in readings) < max(moved_at)


def first_unused(readings: Iterable[Reading], most: int) -> int:
    """Return the first repeat that holds no reading; the last one there can be where all do."""
    used = {reading.repeat for reading in readings}
    return min(next(number for number in range(1, most + 2) if number not in used), most)


def repeat_anew(readings: Collection[Reading], moved_at: Collection[dt.datetime], most: int) -> int:
    """Return the repeat a place as left is swept at: the first unused one where a move came after its readings."""
    return first_unused(readings, most) if is_older(readings, moved_at) else 1


def older_repeats(rows: Iterable[Sweep], sweep: Sweep, moved_at: Collection[dt.datetime]) -> tuple[int, ...]:
    """Return the repeats of a sweep that hold readings from before a move and therefore do not count."""
    swept = [(row, list(row.readings.all())) for row in rows if row.stage == sweep.stage]
    counted = {one.pk for row, some in since_last_move(swept, sweep.stage, moved_at) if row == sweep for one in some}
    mine = [one for row, some in swept if row == sweep for one in some]
    return tuple(sorted({one.repeat for one in mine if one.pk not in counted}))
