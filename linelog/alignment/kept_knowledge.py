"""What is known of a station running, and its moves, kept by the process for as long as nothing of it changed.

It rests on the set-up of machine and station, on signed visits, amendments and moves. The first are compared column
by column (the sections of a ram change under their machine's version); signed visits and amendments are only ever
added, so that their numbers tell whether any is new; of moves, which may be taken back, number and newest.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass, field
from datetime import datetime

from linelog.alignment.adjuster_state import logged_moves
from linelog.alignment.models import MoveMade
from linelog.alignment.results.now import current_runs
from linelog.alignment.running import Knowledge, knowledge_of
from linelog.alignment.standing import Value
from linelog.plant.models import Station

MOST = 1_000  # stations
_kept: OrderedDict[int, KeptKnowledge] = OrderedDict()
_guard = threading.Lock()


@dataclass(slots=True)
class KeptKnowledge:
    """What is known of a station running; `held` are the running values that held when a visit was opened.

    moves  of its adjusters, in any visit that was not dropped; None until somebody asks
    """

    stamp: Hashable
    knowledge: Knowledge
    held: dict[datetime, Value | None] = field(default_factory=dict)
    moves: tuple[MoveMade, ...] | None = None

    def held_at(self, station: Station, opened_at: datetime) -> Value | None:
        """Return the running value of an earlier visit that held at a station when a visit was opened."""
        if opened_at not in self.held:
            self.held[opened_at] = current_runs([station], opened_at).get(station.pk)
        return self.held[opened_at]

    def moves_of(self, station: Station) -> tuple[MoveMade, ...]:
        """Return the moves ever made with the adjusters of a station, in their order."""
        if self.moves is None:
            self.moves = tuple(logged_moves().filter(adjuster__station=station))
        return self.moves


def knowledge_at(station: Station, stamp: Hashable) -> KeptKnowledge:
    """Return what is known of a station (its machine in hand), read anew where the stamp is another."""
    with _guard:
        found = _kept.get(station.pk)
        if found is not None and found.stamp == stamp:
            _kept.move_to_end(station.pk)
            return found
    found = KeptKnowledge(stamp, knowledge_of(station.machine, [station]))
    with _guard:
        _kept[station.pk] = found
        while len(_kept) > MOST:
            _kept.popitem(last=False)
    return found


def forget() -> None:
    """Keep nothing, for tests that put one database in the place of another."""
    with _guard:
        _kept.clear()
