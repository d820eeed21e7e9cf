"""What a signer should know before signing: what must be done first, and what is signed as it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from linelog.alignment.computing import StationOutcome, compute
from linelog.alignment.judging import is_judged
from linelog.alignment.models import Lockout, MoveMade, Result, Stage, StationNote, Sweep, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.queries import StationLine, station_lines, sweeps_of
from linelog.alignment.results.unswept import Unswept, parts_open
from linelog.calc.units import Unit
from linelog.plant.models import Station


class Code(StrEnum):
    """What can be open about a station, or about the visit as a whole."""

    NOTHING = "nothing"
    MOVED_NOT_SWEPT = "moved_not_swept"
    NOT_SAID = "not_said"
    MISSING = "missing"
    NOT_WHOLE = "not_whole"
    UNCONFIRMED = "unconfirmed"
    FACE_NOT_SWEPT = "face_not_swept"
    MOVED_AFTER = "moved_after"
    BUSHING_MOVED = "bushing_moved"
    LINE_MOVED = "line_moved"
    LINE_MOVED_AFTER = "line_moved_after"
    LOCKOUT = "lockout"


FIRST = frozenset({Code.NOTHING, Code.MOVED_NOT_SWEPT, Code.NOT_SAID, Code.LINE_MOVED, Code.BUSHING_MOVED})
SENTENCES = {
    Code.NOTHING: "Nothing was measured: log a sweep, or drop the visit with a reason.",
    Code.MOVED_NOT_SWEPT: "It was moved: sweep it again as left.",
    Code.NOT_SAID: "Sweep it as left, or say that it was not touched.",
    Code.MISSING: "It was not measured in this visit.",
    Code.NOT_WHOLE: "Some positions were not read.",
    Code.UNCONFIRMED: "The program asked to read it again, and nobody confirmed the readings.",
    Code.FACE_NOT_SWEPT: "It was tilted, and its face was not swept after that: what tilt is left is not known.",
    Code.MOVED_AFTER: "A move was logged after its sweep as left. If it was made after it too, sweep it again.",
    Code.BUSHING_MOVED: "It was moved or renewed: measure its clearance or its position as left.",
    Code.LINE_MOVED: "A bushing was moved or renewed, and the ram's line with it: sweep it as left.",
    Code.LINE_MOVED_AFTER: (
        "A bushing's move was logged after its sweep as left. If it was made after it too, the ram's line moved: "
        "sweep it again."
    ),
    Code.LOCKOUT: "The return to service is not written down: the lockout still stands in the log.",
}
OF_PART = {  # what moves leave open
    Unswept.MOVED: Code.MOVED_AFTER,
    Unswept.FACE: Code.FACE_NOT_SWEPT,
    Unswept.LINE_FRONT: Code.LINE_MOVED_AFTER,
    Unswept.LINE_REAR: Code.LINE_MOVED_AFTER,
}


@dataclass(frozen=True, slots=True)
class Open:
    """One thing that is open; without a station it is the visit's."""

    code: Code
    station: Station | None = None
    stage: str = ""

    @property
    def sentence(self) -> str:
        """What it is, in a sentence."""
        return SENTENCES[self.code]

    @property
    def told(self) -> str:
        """The same where nothing beside it says of which station."""
        return f"{self.station}: {self.sentence}" if self.station else self.sentence

    @property
    def comes_first(self) -> bool:
        """Whether it must be done before the visit can be signed."""
        return self.code in FIRST


@dataclass(frozen=True, slots=True)
class HowLeft:
    """What of a visit tells how its stations were left; stations by their keys.

    'Not touched' is said, never assumed: a station with moves needs a sweep as left, one without moves needs either
    that sweep or the word. A bushing that is moved or renewed takes the ram's line with it: then the word won't do.

    results    judged ones
    fitted     set anew by the bar's fitting
    touched    bushings moved or renewed; measured_after those of which something was measured as left
    """

    stations: list[Station]
    results: list[Result]
    moved: set[int]
    fitted: set[int]
    untouched: set[int]
    touched: set[int]
    measured_after: set[int]

    @property
    def first(self) -> list[Open]:
        """What must be done at its stations before the visit can be signed, along the ram."""
        codes = [(station, self._missing(station)) for station in self.stations]
        return [Open(code, station, Stage.AS_LEFT) for station, code in codes if code is not None]

    @property
    def to_carry(self) -> list[Result]:
        """The values as found that hold as left too, once nothing must be done first."""
        return [result for station in self.stations for result in self._not_left(station)]

    def _not_left(self, station: Station) -> list[Result]:
        """Return the values as found without one as left; none of a station set anew, nor how it ran before moves."""
        mine = [result for result in self.results if result.station_id == station.pk]
        left = {(result.seat, result.method) for result in mine if result.stage == Stage.AS_LEFT}
        over = {Method.STATIC: station.pk in self.fitted, Method.RUNNING: station.pk in self.moved}
        found = [result for result in mine if result.stage == Stage.AS_FOUND]
        return [one for one in found if (one.seat, one.method) not in left and not over[Method(one.method)]]

    def _missing(self, station: Station) -> Code | None:
        """Return why it is not known how a station was left, or None where it is."""
        if station.is_bushing:
            return Code.BUSHING_MOVED if station.pk in self.touched - self.measured_after else None
        still = self._not_left(station)
        if station.pk in self.moved and (still or not self._is_set(station)):
            return Code.MOVED_NOT_SWEPT
        if self.touched and any(result.method == Method.STATIC for result in still):
            return Code.LINE_MOVED
        return Code.NOT_SAID if still and station.pk not in self.untouched else None

    def _is_set(self, station: Station) -> bool:
        own = any(one.station_id == station.pk and one.stage == Stage.AS_LEFT for one in self.results)
        return own or station.pk in self.fitted


def how_left(visit: Visit) -> HowLeft:
    """Return what of a visit tells how its stations were left."""
    moved = set(visit.moves.values_list("station_id", flat=True))
    renewed = set(visit.bushings_fitted.values_list("station_id", flat=True))
    stations = list(visit.machine.stations.order_by("order", "pk"))
    untouched = StationNote.objects.filter(visit=visit, not_touched=True)
    after = [rows.filter(stage=Stage.AS_LEFT) for rows in (visit.clearances, visit.bushing_positions)]
    return HowLeft(
        stations=stations,
        results=[result for result in visit.results.select_related("station") if is_judged(result)],
        moved=moved,
        fitted=set(visit.set_by_fitting.values_list("station_id", flat=True)),
        untouched=set(untouched.values_list("station_id", flat=True)),
        touched={one.pk for one in stations if one.is_bushing} & (moved | renewed),
        measured_after={pk for rows in after for pk in rows.values_list("station_id", flat=True)},
    )


@dataclass(frozen=True, slots=True)
class ToSign:
    """The stations of a visit as they would be signed, and what is open about them."""

    lines: list[StationLine]
    found: list[Open] = field(default_factory=list)

    @property
    def first(self) -> list[Open]:
        """What must be done first."""
        return [one for one in self.found if one.comes_first]

    @property
    def known(self) -> list[Open]:
        """What is signed as it is."""
        return [one for one in self.found if not one.comes_first]


def to_sign(visit: Visit, unit: Unit, now: datetime) -> ToSign:
    """Look a visit through before it is signed."""
    lines = station_lines(visit, now)
    sweeps: dict[tuple[int, str], list[Sweep]] = defaultdict(list)
    for row in sweeps_of(visit):
        sweeps[row.station_id, row.stage].append(row)
    found = [*([] if is_measured(visit) else [Open(Code.NOTHING)]), *how_left(visit).first]
    lockouts = tuple(visit.lockouts.all())
    line_moves = [move for line in lines if line.station.is_bushing for move in line.moves]
    for line in lines:
        found += _of_station(visit, line, sweeps, lockouts, unit, line_moves)
    if not visit.machine_runs and lockout_stands(visit):
        found.append(Open(Code.LOCKOUT))
    return ToSign(lines, found)


def is_measured(visit: Visit) -> bool:
    """Whether anything was measured in a visit."""
    return visit.results.exists() or visit.clearances.exists() or visit.bushing_positions.exists()


def lockout_stands(visit: Visit) -> bool:
    """Say whether the last lockout of the visit has no return to service."""
    last = visit.lockouts.order_by("verified_at", "pk").last()
    return last is not None and last.returned_at is None


def _of_station(
    visit: Visit,
    line: StationLine,
    sweeps: dict[tuple[int, str], list[Sweep]],
    lockouts: tuple[Lockout, ...],
    unit: Unit,
    line_moves: Sequence[MoveMade],
) -> Iterable[Open]:
    """Yield what is signed as it is at a station.

    line_moves  those of the bushings, which move the line of every station
    """
    station = line.station
    if station.is_bushing:
        return  # measured by its clearance, not by a sweep
    swept = {stage: sweeps.get((station.pk, stage), []) for stage in Stage.values}
    read = {stage: [row for row in rows if row.readings.all()] for stage, rows in swept.items()}
    if line.found is None and line.left is None and not any(read.values()) and not line.moves:
        if not line.running:
            yield Open(Code.MISSING, station)
        return
    for stage, rows in read.items():
        if rows:
            outcome = compute(
                station=station,
                stage=stage,
                plant=visit.machine.line.plant,
                rows=swept[stage],
                unit=unit,
                moved_at=[one.at for one in (*line.moves, *line_moves)],
                lockouts=lockouts,
            )
            yield from _of_sweeps(station, stage, outcome)
    for part in parts_open(station, line.moves, swept[Stage.AS_LEFT], line_moves):
        yield Open(OF_PART[part], station, Stage.AS_LEFT)


def _of_sweeps(station: Station, stage: str, outcome: StationOutcome) -> Iterable[Open]:
    every = [one for one in (*outcome.seats.values(), outcome.face) if one is not None and one.readings]
    if any(one.missing_deg or one.left_out for one in every):
        yield Open(Code.NOT_WHOLE, station, stage)
    if any(one.read_again and not (one.row and one.row.odd_accepted) for one in every):
        yield Open(Code.UNCONFIRMED, station, stage)
