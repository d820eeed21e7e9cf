"""What happens to the stations of a visit when it is signed."""

from __future__ import annotations

from datetime import datetime

from linelog.alignment.advice import advise_for
from linelog.alignment.computing import compute
from linelog.alignment.judging import is_judged
from linelog.alignment.limits import in_force
from linelog.alignment.models import Result, Stage, StationNote, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.queries import adjusters_of, stations_of, sweeps_of
from linelog.alignment.results.of_visit import visit_statuses
from linelog.alignment.running import as_running, knowledge_of, running_found
from linelog.alignment.services.guard import measured_at
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.plant.models import Station
from linelog.web.errors import Refused


def freeze_advice(*, visit: Visit, unit: Unit, at: datetime) -> None:
    """Keep the moves that were offered on what was found, so that a later change of adjusters changes no old page."""
    rows, machine = sweeps_of(visit, stage=Stage.AS_FOUND), visit.machine
    swept = {row.station_id for row in rows}
    ran = {row.station_id for row in visit.results.filter(stage=Stage.AS_FOUND, method=Method.RUNNING)}
    stations = [station for station in in_force(visit, stations_of(machine)) if station.pk in swept | ran]
    knowledge, stand = knowledge_of(machine, stations), visit_statuses(visit, stations, at)
    plant, lockouts = machine.line.plant, tuple(visit.lockouts.all())
    for station in stations:
        found = compute(station=station, stage=Stage.AS_FOUND, plant=plant, rows=rows, unit=unit, lockouts=lockouts)
        running = as_running(found, knowledge, at)
        stands = stand.get((station.pk, Stage.AS_FOUND.value))
        if stands is None:
            continue
        advice = advise_for(
            found,
            running_found(found, running, stands.ran.value if stands.ran else None),
            adjusters_of(station, before=visit.opened_at),
            unit,
            for_running=machine.moves_for_running,
            stands=stands,
            seen_from=View(next((row.view for row in rows if row.station_id == station.pk), station.view)),
        )
        StationNote.objects.update_or_create(visit=visit, station=station, defaults={"advised": advice.frozen})


def close_stations(*, visit: Visit, at: datetime) -> None:
    """Refuse what is unfinished; carry as found over to as left where a station was said to be not touched.

    'Not touched' is said, never assumed: a station with moves needs a sweep as left, one without moves needs
    either that sweep or the word.
    """
    untouched = set(StationNote.objects.filter(visit=visit, not_touched=True).values_list("station_id", flat=True))
    swept = visit.moves.exclude(station__kind__in=Station.BUSHINGS)
    moved = set(swept.values_list("station_id", flat=True))
    results = [result for result in visit.results.select_related("station") if is_judged(result)]
    left = {(r.station_id, r.seat, r.method) for r in results if r.stage == Stage.AS_LEFT}
    line_moved = _moved_bushing(visit)
    fitted = set(visit.set_by_fitting.values_list("station_id", flat=True))
    for result in results:
        if result.station_id in fitted and result.method == Method.STATIC:
            continue  # set anew by its fitting: what was found is not how it was left
        if result.stage != Stage.AS_FOUND or (result.station_id, result.seat, result.method) in left:
            continue
        if result.station_id in moved and result.method == Method.RUNNING:
            continue  # how it ran before its moves is not how it is left; that is swept, or run again
        if result.station_id in moved:
            raise Refused(f"{result.station} was moved: sweep it again as left before signing.")
        if result.station_id not in untouched:
            raise Refused(f"{result.station}: sweep it as left, or say that it was not touched.")
        if line_moved and result.method == Method.STATIC:
            raise Refused(
                f"{line_moved} was moved, and the ram's line with it: sweep {result.station} again as left."
            )
        _carry(result, measured_at(visit, at))
    unswept = moved - fitted - {station for station, _, _ in left}
    if unswept:
        name = swept.filter(station_id__in=unswept).select_related("station")[0].station
        raise Refused(f"{name} was moved: sweep it again as left before signing.")


def _moved_bushing(visit: Visit) -> Station | None:
    """Return a bushing that was moved or renewed; refuse where nothing was measured of it afterwards."""
    bushings = Station.objects.filter(machine=visit.machine_id, kind__in=Station.BUSHINGS)
    moved = set(visit.moves.values_list("station_id", flat=True))
    renewed = set(visit.bushings_fitted.values_list("station_id", flat=True))
    measured = {
        row.station_id
        for rows in (visit.clearances, visit.bushing_positions)
        for row in rows.filter(stage=Stage.AS_LEFT)
    }
    touched = [bushing for bushing in bushings if bushing.pk in moved | renewed]
    for bushing in touched:
        if bushing.pk not in measured:
            done = "moved" if bushing.pk in moved else "renewed"
            raise Refused(f"{bushing} was {done}: measure its clearance or its position as left before signing.")
    return next(iter(touched), None)


def _carry(result: Result, at: datetime) -> None:
    result.pk = None
    result._state.adding = True
    result.stage = Stage.AS_LEFT
    result.carried = True
    result.at = at
    result.save(force_insert=True)
