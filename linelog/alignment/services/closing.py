"""What happens to the stations of a visit when it is signed."""

from __future__ import annotations

from datetime import datetime

from linelog.alignment.advice import advise_for
from linelog.alignment.computing import compute
from linelog.alignment.limits import in_force
from linelog.alignment.models import Result, Stage, StationNote, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.queries import adjusters_of, stations_of, sweeps_of
from linelog.alignment.results.of_visit import visit_statuses
from linelog.alignment.running import as_running, knowledge_of, running_found
from linelog.alignment.services.guard import measured_at
from linelog.alignment.signing.check import how_left
from linelog.calc.readings import View
from linelog.calc.units import Unit
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
    """Refuse what is unfinished (`HowLeft`); carry as found over to as left where nothing was touched."""
    left = how_left(visit)
    for one in left.first:
        raise Refused(one.told)
    for result in left.to_carry:
        _carry(result, measured_at(visit, at))


def _carry(result: Result, at: datetime) -> None:
    result.pk = None
    result._state.adding = True
    result.stage = Stage.AS_LEFT
    result.carried = True
    result.at = at
    result.save(force_insert=True)
