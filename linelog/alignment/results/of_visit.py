"""How the stations of a visit stand, as found and as left, by what was known of the machine at that moment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from linelog.alignment.computing import Outcome, StationOutcome
from linelog.alignment.judging import judged
from linelog.alignment.models import Result, Stage, Visit
from linelog.alignment.results.now import current_runs
from linelog.alignment.results.status import StationStatus, station_status
from linelog.alignment.results.unswept import Unswept, parts_open_in
from linelog.alignment.running import Knowledge, Travels, knowledge_of, travels_of
from linelog.alignment.standing import AS_LEFT, RUNNING, STATIC, Place, Value, Word, stand
from linelog.alignment.values import COLUMNS, last_words
from linelog.calc.verdict import WORST_FIRST, Verdict
from linelog.plant.models import Station

Key = tuple[int, str]  # station, stage


@dataclass(frozen=True, slots=True)
class _Measured:
    """What a visit measured of some stations, and what was known of the machine when it was signed, or is now.

    `open_parts`, by station, is what its moves left open.
    """

    stations: Sequence[Station]
    values: tuple[Value, ...]
    words: dict[Place, Word]
    withheld: set[Key]
    knowledge: Knowledge
    travels: Travels
    earlier: dict[Key, Value]
    open_parts: dict[int, tuple[Unswept, ...]]
    at: dt.datetime

    def statuses(self, words: dict[Place, Word]) -> dict[Key, StationStatus]:
        """Say how the stations stand with these amendments."""
        by_place: dict[Key, dict[str, list[Value]]] = {key: {STATIC: [], RUNNING: []} for key in self.withheld}
        for value in stand(self.values, words).values:
            at_once = by_place.setdefault((value.station_id, value.stage), {STATIC: [], RUNNING: []})
            at_once[value.method].append(value)
        found = {}
        for station in self.stations:
            for stage in Stage.values:
                values = by_place.get((station.pk, stage))
                if values is not None:
                    ran = values[RUNNING][0] if values[RUNNING] else self.earlier.get((station.pk, stage))
                    found[station.pk, stage] = self._status(station, stage, values[STATIC], ran)
        return found

    def _status(self, station: Station, stage: str, values: list[Value], ran: Value | None) -> StationStatus:
        return station_status(
            station,
            values,
            ran,
            self.knowledge,
            self.travels,
            self.at,
            withheld=(station.pk, stage) in self.withheld,
            open_parts=self.open_parts.get(station.pk, ()),
        )


def _read(visit: Visit, stations: Sequence[Station], now: dt.datetime) -> _Measured:
    at = visit.signed_at or now
    knowledge, travels = knowledge_of(visit.machine, stations), travels_of([visit.pk])
    open_parts = {station: parts for (_, station), parts in parts_open_in([visit.pk]).items()}
    results = Result.objects.filter(visit=visit).order_by("station__order", "seat", "stage")
    values = tuple(Value(*row) for row in judged(results).values_list(*COLUMNS))
    withheld = set(results.filter(withheld=True).values_list("station_id", "stage"))
    earlier = earlier_runs(visit, [one for one in stations if not is_known(knowledge, one, at)])
    return _Measured(stations, values, last_words([visit.pk]), withheld, knowledge, travels, earlier, open_parts, at)


def visit_statuses(visit: Visit, stations: Sequence[Station], now: dt.datetime) -> dict[Key, StationStatus]:
    """Return how stations stand that this visit measured, by station and stage; in a fixed number of queries.

    With what the amendments of the visit say of its values.
    """
    read = _read(visit, stations, now)
    return read.statuses(read.words)


@dataclass(frozen=True, slots=True)
class BothStatuses:
    """How the stations of a visit stood when it was signed, and how they stand with its amendments.

    An open visit has no amendments: what would be signed stands in both.
    """

    signed: dict[Key, StationStatus]
    amended: dict[Key, StationStatus]


def both_statuses(visit: Visit, stations: Sequence[Station], now: dt.datetime) -> BothStatuses:
    """Return how stations stood as signed and stand as amended, in the queries of `visit_statuses`.

    For pages that show the record itself: what was signed keeps its own verdict, whatever was amended since.
    """
    read = _read(visit, stations, now)
    signed = read.statuses({})
    return BothStatuses(signed, read.statuses(read.words) if read.words else signed)


def earlier_runs(visit: Visit, stations: Sequence[Station]) -> dict[Key, Value]:
    """Return the running values of earlier visits that still hold, by station and stage.

    Asked for stations of which nothing else tells what they do when running: with no move since, it still does that.
    """
    return still_held(visit, current_runs(stations, visit.opened_at)) if stations else {}


def still_held(visit: Visit, held: dict[int, Value]) -> dict[Key, Value]:
    """Leave out what held when a visit was opened and was ended by a move of this visit."""
    if not held:
        return {}
    moves = list(visit.moves.values_list("station_id", "station__kind"))
    moved = {station for station, _ in moves}
    line_moved = any(kind in Station.BUSHINGS for _, kind in moves)
    stages = {pk: [Stage.AS_FOUND.value] if line_moved or pk in moved else Stage.values for pk in held}
    return {(pk, stage): run for pk, run in held.items() for stage in stages[pk]}


def is_known(knowledge: Knowledge, station: Station, at: dt.datetime) -> bool:
    """Whether it is known what a station does when running: by the ram's droop, or by pairs."""
    return knowledge.hanging is not None or knowledge.learned(station, at) is not None


def outcome_status(
    found: StationOutcome,
    visit: Visit,
    knowledge: Knowledge,
    ran: Value | None,
    at: dt.datetime,
    open_parts: tuple[Unswept, ...],
) -> StationStatus:
    """Say how a station stands on the entry screen, from its readings as they were just worked out.

    open_parts  what moves of this visit left open of it (`unswept.parts_open`)
    """
    travels: Travels = {}
    static = []
    for seat, outcome in found.seats.items():
        value = _kept(found, seat, outcome, visit)
        if value is not None:
            static.append(value)
            travels[visit.pk, found.station.pk, found.stage, seat] = (
                outcome.row.ram_position_mm if outcome.row else None
            )
    return station_status(
        found.station,
        static,
        ran,
        knowledge,
        travels,
        at,
        withheld=found.withheld,
        open_parts=open_parts,
    )


def _kept(found: StationOutcome, seat: str, outcome: Outcome, visit: Visit) -> Value | None:
    """Return a seat's value as it is kept of it."""
    value, judged, tilt = outcome.value, outcome.judged, found.tilt
    if value is None or judged is None:
        return None
    verdicts = [one for one in (judged, found.tilt_judged) if one is not None]
    if found.withheld and all(one.verdict is not Verdict.OUT for one in verdicts):
        return None
    return Value(
        visit.pk,
        visit.opened_at,
        found.station.pk,
        seat,
        found.stage,
        STATIC,
        value.x,
        value.y,
        value.size,
        value.radial.U,
        judged.limit,
        min((one.verdict for one in verdicts), key=WORST_FIRST.index).value,
        max(one.severity for one in verdicts),
        False,
        tilt.x if tilt else None,
        tilt.y if tilt else None,
        tilt.radial.U if tilt else None,
        found.station.tilt_limit_mm_per_m,
        outcome.row.carrier if outcome.row else Station.Carrier.RAM,
        value.across.U / value.across.k,  # with what a closure adds to U, as it is kept
        value.up.U / value.up.k,
        bool(outcome.missing_deg),
    )


def run_in(visit: Visit, station: Station, stage: str, knowledge: Knowledge, at: dt.datetime) -> Value | None:
    """Return the running value that holds at a station in a visit: its own, or an earlier one that still holds."""
    own = own_run(visit, station, stage)
    if own or is_known(knowledge, station, at):
        return own
    return earlier_runs(visit, [station]).get((station.pk, stage))


def own_run(visit: Visit, station: Station, stage: str) -> Value | None:
    """Return the running value of a visit that no move of it has overtaken."""
    rows = judged(Result.objects.filter(visit=visit, station=station, stage=stage, method=RUNNING))
    return next((Value(*row) for row in rows.values_list(*COLUMNS)), None)


def left_last(statuses: dict[Key, StationStatus], station: Station) -> StationStatus | None:
    """Return how a station was left, else how it was found."""
    return statuses.get((station.pk, AS_LEFT)) or statuses.get((station.pk, Stage.AS_FOUND.value))
