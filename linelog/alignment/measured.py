"""What an entry screen is made of: a station's sweeps and what they come to, its moves, what is known of it running.

Read anew for a page; taken from the hand of the service that has just stored a reading, for the answer to it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, overload

from linelog.alignment.at_hand import AtHand, adjusters_in_hand
from linelog.alignment.computing import StationOutcome, compute
from linelog.alignment.models import Lockout, MoveMade, StationNote, Sweep, Visit
from linelog.alignment.queries import adjusters_of, sweeps_of
from linelog.alignment.results.of_visit import is_known, own_run, run_in, still_held
from linelog.alignment.running import Knowledge, knowledge_of
from linelog.alignment.signing.names import as_signed
from linelog.alignment.since_move import moves_of
from linelog.alignment.standing import Value
from linelog.calc.units import Unit
from linelog.plant.models import Adjuster, Station


class Adjusters(Sequence[Adjuster]):
    """The adjusters of a station, read where somebody asks for them: most readings end in no move."""

    def __init__(self, read: Callable[[], list[Adjuster]]) -> None:
        self._read = read
        self._rows: list[Adjuster] | None = None

    @property
    def _all(self) -> list[Adjuster]:
        if self._rows is None:
            self._rows = self._read()
        return self._rows

    @overload
    def __getitem__(self, index: int) -> Adjuster: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Adjuster]: ...
    def __getitem__(self, index: Any) -> Any:
        """Return one, or some."""
        return self._all[index]

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._all)


@dataclass(frozen=True, slots=True)
class Measured:
    """A station of a visit at one stage; `rows` are its sweeps, each with its visit: of this stage at least.

    moves  those of the station; `line_moves` those of the bushings, where it is none: they move its line
    """

    visit: Visit
    station: Station
    rows: list[Sweep]
    found: StationOutcome
    knowledge: Knowledge
    ran: Value | None
    moves: tuple[MoveMade, ...]
    note: StationNote | None
    adjusters: Adjusters
    line_moves: tuple[MoveMade, ...] = ()
    lockouts: tuple[Lockout, ...] | None = None  # where they are in hand


def _moves(visit: Visit, station: Station) -> dict[str, tuple[MoveMade, ...]]:
    """Return the moves of a station and of the line under it, as `Measured` holds them."""
    moves = visit.moves.filter(moves_of(station)).select_related("adjuster", "by", "station")
    as_signed(visit, made=moves)
    own = tuple(move for move in moves if move.station_id == station.pk)
    others = () if station.is_bushing else tuple(move for move in moves if move not in own)
    return {"moves": own, "line_moves": others}


def read(visit: Visit, station: Station, stage: str, unit: Unit, at: dt.datetime) -> Measured:
    """Read it anew, with the sweeps of both stages."""
    rows = sweeps_of(visit, station)
    for row in rows:
        row.visit = visit  # in hand already, with its signature
    moves, plant = _moves(visit, station), visit.machine.line.plant
    moved_at = [move.at for some in moves.values() for move in some]
    lockouts = tuple(visit.lockouts.all())
    found = compute(
        station=station, stage=stage, plant=plant, rows=rows, unit=unit, moved_at=moved_at, lockouts=lockouts
    )
    knowledge = knowledge_of(visit.machine, [station])
    return Measured(
        visit=visit,
        station=station,
        rows=rows,
        found=found,
        knowledge=knowledge,
        ran=run_in(visit, station, stage, knowledge, at),
        **moves,
        note=visit.station_notes.filter(station=station).first(),
        adjusters=Adjusters(lambda: adjusters_of(station)),
        lockouts=lockouts,
    )


def in_hand(hand: AtHand, found: StationOutcome, at: dt.datetime) -> Measured:
    """Take it from the hand of who just stored a reading; what is not in hand is asked for only if it is there."""
    return Measured(
        visit=hand.visit,
        station=hand.station,
        rows=hand.sweeps,
        found=found,
        knowledge=hand.known.knowledge,
        ran=_run_in_hand(hand, at),
        **(_moves(hand.visit, hand.station) if hand.moved else {"moves": ()}),
        note=hand.note,
        adjusters=Adjusters(lambda: adjusters_in_hand(hand)),
        lockouts=hand.lockouts,
    )


def _run_in_hand(hand: AtHand, at: dt.datetime) -> Value | None:
    """Return the running value that holds, as `run_in` does; most often without a question to the database."""
    if hand.ran:
        return own_run(hand.visit, hand.station, hand.stage)
    if is_known(hand.known.knowledge, hand.station, at):
        return None
    held = hand.known.held_at(hand.station, hand.visit.opened_at)
    return still_held(hand.visit, {hand.station.pk: held}).get((hand.station.pk, hand.stage)) if held else None
