"""What a signer should know before signing: what must be done first, and what is signed as it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from linelog.alignment.computing import StationOutcome, compute
from linelog.alignment.models import Lockout, MoveMade, Stage, Sweep, Visit
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
    Code.LINE_MOVED: "A bushing was moved, and the ram's line with it: sweep it as left.",
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
    def comes_first(self) -> bool:
        """Whether it must be done before the visit can be signed."""
        return self.code in FIRST


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
    measured = visit.results.exists() or visit.clearances.exists() or visit.bushing_positions.exists()
    found = [] if measured else [Open(Code.NOTHING)]
    fitted = set(visit.set_by_fitting.values_list("station_id", flat=True))
    lockouts = tuple(visit.lockouts.all())
    line_moves = [move for line in lines if line.station.is_bushing for move in line.moves]
    for line in lines:
        found += _of_station(visit, line, sweeps, lockouts, unit, line_moves, fitted=line.station.pk in fitted)
    if not visit.machine_runs and lockout_stands(visit):
        found.append(Open(Code.LOCKOUT))
    return ToSign(lines, found)


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
    *,
    fitted: bool,
) -> Iterable[Open]:
    """Yield what is open about a station; one that was `fitted` is set anew: nothing is carried over to as left.

    line_moves  those of the bushings, which move the line of every station
    """
    station = line.station
    if station.is_bushing:
        if _is_left_unmeasured(line):
            yield Open(Code.BUSHING_MOVED, station)
        return  # measured by its clearance, not by a sweep
    swept = {stage: sweeps.get((station.pk, stage), []) for stage in Stage.values}
    read = {stage: [row for row in rows if row.readings.all()] for stage, rows in swept.items()}
    if line.found is None and line.left is None and not any(read.values()) and not line.moves:
        if not line.running:
            yield Open(Code.MISSING, station)
        return
    if not fitted and (code := _not_left(line, line_moves)) is not None:
        yield Open(code, station)
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


def _is_left_unmeasured(line: StationLine) -> bool:
    """Whether a bushing was moved or renewed, and nothing was measured of it afterwards."""
    found = line.bushing
    if found is None:
        return bool(line.moves)
    touched = bool(line.moves) or found.fitted is not None
    return touched and found.left is None and all(one.stage != Stage.AS_LEFT for one in found.positions)


def _not_left(line: StationLine, line_moves: Sequence[MoveMade]) -> Code | None:
    """Return why it is not known how a station was left, or None where it is."""
    if line.left is not None:
        return None
    if line.moves:
        return Code.MOVED_NOT_SWEPT
    if line.found is None:
        return None
    if line_moves:
        return Code.LINE_MOVED
    return None if line.note and line.note.not_touched else Code.NOT_SAID


def _of_sweeps(station: Station, stage: str, outcome: StationOutcome) -> Iterable[Open]:
    every = [one for one in (*outcome.seats.values(), outcome.face) if one is not None and one.readings]
    if any(one.missing_deg or one.left_out for one in every):
        yield Open(Code.NOT_WHOLE, station, stage)
    if any(one.read_again and not (one.row and one.row.odd_accepted) for one in every):
        yield Open(Code.UNCONFIRMED, station, stage)
