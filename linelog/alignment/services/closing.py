"""What happens to the stations of a visit when it is signed."""

from __future__ import annotations

from datetime import datetime

from linelog.alignment.models import Result, Stage, StationNote, Visit
from linelog.web.errors import Refused


def close_stations(*, visit: Visit, at: datetime) -> None:
    """Refuse what is unfinished; carry as found over to as left where a station was said to be not touched.

    'Not touched' is said, never assumed: a station with moves needs a sweep as left, one without moves needs
    either that sweep or the word.
    """
    untouched = set(StationNote.objects.filter(visit=visit, not_touched=True).values_list("station_id", flat=True))
    moved = set(visit.moves.values_list("station_id", flat=True))
    results = list(visit.results.select_related("station"))
    left = {(r.station_id, r.seat, r.method) for r in results if r.stage == Stage.AS_LEFT}
    for result in results:
        if result.stage != Stage.AS_FOUND or (result.station_id, result.seat, result.method) in left:
            continue
        if result.station_id in moved:
            raise Refused(f"{result.station} was moved: sweep it again as left before signing.")
        if result.station_id not in untouched:
            raise Refused(f"{result.station}: sweep it as left, or say that it was not touched.")
        _carry(result, at)
    unswept = moved - {station for station, _, _ in left}
    if unswept:
        name = visit.moves.filter(station_id__in=unswept).select_related("station")[0].station
        raise Refused(f"{name} was moved: sweep it again as left before signing.")


def _carry(result: Result, at: datetime) -> None:
    result.pk = None
    result._state.adding = True
    result.stage = Stage.AS_LEFT
    result.carried = True
    result.at = at
    result.save(force_insert=True)
