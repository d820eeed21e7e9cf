"""The running values that a signature takes in: each with who measured it, and whether it still holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from linelog.alignment.captures.queries import HEAVY
from linelog.alignment.models import MoveMade, Result, Stage, Visit
from linelog.alignment.queries import StationLine
from linelog.alignment.services.joining import chosen
from linelog.calc.frame import turn, view_words
from linelog.calc.readings import View
from linelog.plant.models import Person, Station


class Holds(Enum):
    """Whether a running value tells how the machine runs as it is left, and the words that say so."""

    YES = "holds"
    OVERTAKEN = "holds no more: measured before the last move"
    BEFORE = "holds no more: measured before the moves"
    FOLLOWED = "as found; the one as left holds"

    @property
    def words(self) -> str:
        """The whole of it."""
        return self.value


@dataclass(frozen=True, slots=True)
class RanRow:
    """One running value of a visit; `phase` of the stroke only where it came from a capture."""

    result: Result
    station: Station
    phase: str
    by: Person | None
    at: datetime
    holds: Holds

    @property
    def seen(self) -> tuple[float, float]:
        """Right and up (um), as the person at the station sees it."""
        return turn(self.result.x_um, self.result.y_um, View(self.station.view))

    @property
    def view_words(self) -> str:
        """Where that is seen from."""
        return view_words(View(self.station.view))


def ran_rows(visit: Visit, lines: Sequence[StationLine]) -> list[RanRow]:
    """Return the running values of a visit along the ram, as found before as left; in three queries."""
    if not any(line.running for line in lines):
        return []
    typed = {(row.station_id, row.stage): row for row in visit.running_readings.select_related("by")}
    captures = visit.captures.defer(*HEAVY).select_related("by").prefetch_related("values__station")
    phases: dict[tuple[int, str], tuple[str, Person | None]] = {}
    for capture in captures:
        value = chosen(capture.values.all())
        if value is not None:
            phases[value.station_id, capture.stage] = value.get_phase_display(), capture.by
    line_moves = [move for line in lines if line.station.is_bushing for move in line.moves]
    rows = []
    for line in lines:
        for result in sorted(line.running, key=lambda one: list(Stage.values).index(one.stage)):
            key = (result.station_id, result.stage)
            reading, holds = typed.get(key), _holds(result, line, line_moves)
            if reading is not None:
                rows.append(RanRow(result, line.station, "", reading.by, reading.at, holds))
            else:
                phase, by = phases.get(key, ("", None))
                rows.append(RanRow(result, line.station, phase, by, result.at, holds))
    return rows


def _holds(result: Result, line: StationLine, line_moves: Sequence[MoveMade]) -> Holds:
    if result.stage == Stage.AS_LEFT:
        return Holds.OVERTAKEN if getattr(result, "is_overtaken", False) else Holds.YES
    if any(move.at > result.at for move in (*line.moves, *line_moves)):
        return Holds.BEFORE
    return Holds.FOLLOWED if any(one.stage == Stage.AS_LEFT for one in line.running) else Holds.YES
