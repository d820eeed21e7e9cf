"""How each place of a machine was left, and the chance that it is out after so many strokes from then on."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

import numpy as np

from linelog.calc.arrays import FloatArray
from linelog.calc.wander.knowledge import FEWEST, SURE_MUCH, surest
from linelog.calc.wander.reach import chance_at
from linelog.trends.due.tracks import Key


def chance_words(chance: float | None, most: float) -> str:
    """Write the chance of a place as it is read: no figure beyond that up to which chances come true.

    Where little was learned from, a band alone: figures of small plants were off by 8 points (`bench_risk`).
    """
    if chance is None:
        return "not known"
    if chance > most:
        return f"over {100.0 * most:.0f} %"
    if most >= SURE_MUCH:
        return f"{100.0 * chance:.0f} %"
    return "under 10 %" if chance < 0.1 else "10–30 %" if chance < 0.3 else "30–50 %"


def machine_chance_words(chance: float | None, most: float) -> str:
    """Write the chance that any place of a machine is out, as `chance_words` does.

    Six places that are each told two points too low make the machine's ten too low: on small plants of known truth,
    made by somebody else, these bands came true with good and with poor dials, and finer ones did not.
    """
    if chance is None or most >= SURE_MUCH:
        return chance_words(chance, 1.0)
    return "under 40 %" if chance < 0.4 else "40–60 %" if chance < 0.6 else "over 60 %"


@dataclass(frozen=True, slots=True)
class Place:
    """A place as it was left and how it wanders; um, um2 and million strokes. Kept as JSON, so all fields are plain.

    mean_um, creep_um, walk_um2, doubt_um2  see `calc.wander.knowledge.Ahead`; where it is not known it stays as left
    chance       of being out, at the strokes of `GRID` from the day after `left_on` on; empty where not known
    due_million  strokes from then until the plant's risk; None where it is not reached or not known
    again        how often places of the plant were found again after a visit
    opens, saves, beyond  what a visit now is expected to do (`calc.next_visit.Expects`); None where it is not known
    """

    station: int
    seat: str
    method: str
    kind: str
    left_on: str
    left_um: list[float]
    u_um: float
    limit_um: float
    pairs: int
    pair_million: float
    mean_um: list[float]
    creep_um: list[float] = field(default_factory=lambda: [0.0, 0.0])
    walk_um2: float = 0.0
    doubt_um2: float = 0.0
    chance: list[float] = field(default_factory=list)
    due_million: float | None = None
    again: int | None = None
    opens: float | None = None
    saves: float | None = None
    beyond: float | None = None

    @classmethod
    def of(cls, kept: Mapping[str, Any]) -> Place:
        """Read what `plain` gave; rows of an older way of reckoning tell how the place was left, and no chance."""
        known = {one.name: kept[one.name] for one in fields(cls) if one.name in kept}
        if "chance" not in kept:
            known |= {"mean_um": kept["left_um"], "due_million": None}
        return cls(**known)

    @property
    def key(self) -> Key:
        """What tells it from the machine's other places."""
        return (self.station, self.seat, self.method)

    @property
    def since(self) -> dt.date:
        """The production day of the visit that left it so."""
        return dt.date.fromisoformat(self.left_on)

    @property
    def is_known(self) -> bool:
        """Whether its chance is known."""
        return bool(self.chance)

    @property
    def why_not(self) -> str:
        """Why its chance is not known."""
        if self.is_known:
            return ""
        if self.again is None:
            return "Its risk is being worked out anew."
        return (
            f"In the whole plant stations were found again after a visit {self.again} times, with strokes counted "
            f"between, and a risk needs {FEWEST}: the time limit alone says when it is due."
        )

    def chance_after(self, strokes_million: FloatArray) -> FloatArray:
        """Chance of being out after strokes since it was left; its chance must be known."""
        return chance_at(self.chance, np.asarray(strokes_million, dtype=np.float64))

    @property
    def surest(self) -> float:
        """The chance beyond which no figure is told."""
        return surest(self.again or 0)

    @property
    def ahead(self) -> tuple[float, ...]:
        """The row that `calc.loss.severities_ahead` takes."""
        return (*self.mean_um, *self.creep_um, self.walk_um2, self.doubt_um2, self.limit_um)

    def overtaken(self) -> Place:
        """Return it without its chance, as the log has gone on since that was worked out."""
        return replace(self, chance=[], due_million=None, again=None, opens=None, saves=None, beyond=None)

    def plain(self) -> dict[str, Any]:
        """Return it for a JSON column."""
        return asdict(self)
