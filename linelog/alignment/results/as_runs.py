"""Static values as they are expected when running, for all that asks what a station did between its visits.

Where it is trusted what a machine does when running, a domer left high by the ram's droop runs true: held as it was
measured it would be out at every visit, and its risk, its drift and its part in the rates would be those of a station
that nobody has.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence

from linelog.alignment.results.status import running_value
from linelog.alignment.running import Knowledge, Travels, travels_of
from linelog.alignment.standing import STATIC, Value
from linelog.calc.reconcile import FEWEST_PAIRS
from linelog.plant.models import Station


def as_it_runs(
    values: Iterable[Value],
    stations: Mapping[int, Station],
    known: Mapping[int, Knowledge],
    travels: Travels,
) -> list[Value]:
    """Return the static values of stations of which the running value is trusted as expected when running; um.

    The rest comes back as it is: running values, bushings, and stations of which it is not trusted (fewer than three
    pairs, and moves of the machine not for the running value). A value of before the third pair is held by what three
    taught, so that the day on which they were enough is no jump. Its uncertainty is that of the expectation.
    """
    return [_running(value, stations[value.station_id], known, travels) for value in values]


def as_set(values: Sequence[Value], stations: Iterable[Station], known: Mapping[int, Knowledge]) -> list[Value]:
    """Return values held against where the station is set: as it runs, where moves are for the running value.

    For what shows each visit's own values: a station that is left at its static target is left at nought.
    """
    switched = {machine: one for machine, one in known.items() if one.moves_for_running}
    if not switched:
        return list(values)
    travels = travels_of({value.visit_id for value in values})
    return as_it_runs(values, {station.pk: station for station in stations}, switched, travels)


def _running(value: Value, station: Station, known: Mapping[int, Knowledge], travels: Travels) -> Value:
    knowledge = known.get(station.machine_id)
    if value.method != STATIC or station.is_bushing or knowledge is None:
        return value
    at = _taught(knowledge, station, value.visit_at)
    if at is None and not knowledge.moves_for_running:
        return value
    return running_value(station, value, knowledge, travels, at or value.visit_at) or value


def _taught(knowledge: Knowledge, station: Station, at: dt.datetime) -> dt.datetime | None:
    """Return the moment whose lesson holds for a value: its own, or that of the third pair; None without three."""
    pairs = knowledge.pairs.get(station.pk, ())
    if len(pairs) < FEWEST_PAIRS:
        return None
    return max(at, pairs[FEWEST_PAIRS - 1].pair.running.when)
