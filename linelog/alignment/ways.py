"""Where the entry screen of one sweep is, and where one can go from it: other repeats, stages, sweeps, stations."""

from __future__ import annotations

import datetime as dt
from dataclasses import KW_ONLY, dataclass, replace
from functools import cached_property

from django.utils import timezone

from linelog.alignment.models import MoveMade, Stage, Sweep, Visit
from linelog.alignment.place import Addresses, Place, place_from, place_query, place_url
from linelog.alignment.queries import station_lines
from linelog.alignment.results.unswept import SWEPT_BEFORE
from linelog.alignment.since_move import is_older, older_repeats
from linelog.alignment.station_tabs import Tab, neighbour_tabs, repeat_tabs, stage_tabs, sweep_tabs, swept_at
from linelog.plant.models import Station


@dataclass(frozen=True)
class Ways:
    """The addresses and choices of one screen.

    rows       the sweeps of the station in the visit, with their readings
    moves      those of the station and of the bushings, which move the line
    has_value  whether the readings here come to something
    """

    visit: Visit
    place: Place
    sweep: Sweep
    repeat: int
    rows: list[Sweep]
    moves: tuple[MoveMade, ...]
    _: KW_ONLY
    has_value: bool

    @cached_property
    def repeats(self) -> tuple[Tab, ...]:
        """The repeats of this sweep."""
        return repeat_tabs(self.visit, self.place, self.sweep, self.repeat, self.older_repeats)

    @cached_property
    def stages(self) -> tuple[Tab, ...]:
        """As found and as left."""
        return stage_tabs(self.visit, self.place, self.rows, self._moved_at)

    @cached_property
    def sweeps(self) -> tuple[Tab, ...]:
        """What can be swept at the station."""
        return sweep_tabs(self.visit, self.place, self.rows, self._moved_at)

    @cached_property
    def beside(self) -> tuple[Tab | None, Tab | None]:
        """The stations before and after this one."""
        return neighbour_tabs(self.visit, self.place)

    @cached_property
    def to_as_left(self) -> str:
        """Where this place is swept as left, once there is something as found or after a move; '' elsewhere."""
        if self.place.stage == Stage.AS_LEFT:
            return self._anew if self.is_moved_since else ""
        return self._anew if self.has_value or self._own_moves else ""

    @property
    def is_moved_since(self) -> bool:
        """Whether this sweep as left is older than the last move: it tells nothing of what is left now."""
        here = (Stage.AS_LEFT, self.place.seat, self.place.kind)
        mine = [one for row in self.rows if (row.stage, row.seat, row.kind) == here for one in row.readings.all()]
        return is_older(mine, self._moved_at)

    @property
    def moved_since_words(self) -> str:
        """Say what was moved since this sweep as left."""
        last = max(self.moves, key=lambda move: move.at, default=None)
        if last is not None and last.station_id != self.place.station.pk:
            return SWEPT_BEFORE[last.station.kind].sentence
        return "Moves were logged since this sweep."

    @cached_property
    def to_sweep_again(self) -> tuple[tuple[Station, str], ...]:
        """Of a bushing that was moved: the stations swept before that, each with where it is swept as left."""
        if not (self.place.station.is_bushing and self._own_moves):
            return ()
        lines = station_lines(self.visit, timezone.now())
        some = [line.station for line in lines if line.to_sweep and not line.station.is_bushing]
        left = Stage.AS_LEFT.value
        return tuple(
            (one, place_url("alignment:station", self.visit, place_from(one, {"stage": left}))) for one in some
        )

    @property
    def older_repeats(self) -> tuple[int, ...]:
        """The repeats of this sweep from before a move that others came after: kept, and not counted."""
        return older_repeats(self.rows, self.sweep, self._moved_at)

    @property
    def _moved_at(self) -> list[dt.datetime]:
        return [one.at for one in self.moves]

    @property
    def _anew(self) -> str:
        """Where this place is swept as left: where it was and moves were logged since, at a repeat not used yet."""
        return swept_at(self.visit, replace(self.place, stage=Stage.AS_LEFT.value), self.rows, self._moved_at)

    @property
    def query(self) -> str:
        """The place, as the addresses of this screen say it."""
        return place_query(self.place, repeat=self.repeat)

    def url(self, name: str) -> str:
        """Return an address of this place."""
        return place_url(f"alignment:{name}", self.visit, self.place, repeat=self.repeat)

    @property
    def own_url(self) -> str:
        """Where this screen is, also where it answers a refused form from another address."""
        return self.url("station")

    @cached_property
    def urls(self) -> Addresses:
        """Where the forms of this screen send."""
        return Addresses(self.url)

    @property
    def what(self) -> str:
        """Which sweep this is, in a few words: stage, seat or face, and the repeat where it is not the first."""
        swept = next((tab.label for tab in self.sweeps if tab.here and len(self.sweeps) > 1), "")
        words = [Stage(self.place.stage).label.lower(), swept.lower(), f"repeat {self.repeat}" * (self.repeat > 1)]
        return ", ".join(word for word in words if word)

    @property
    def _own_moves(self) -> tuple[MoveMade, ...]:
        return tuple(move for move in self.moves if move.station_id == self.place.station.pk)
