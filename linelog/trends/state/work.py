"""The work of a visit: "measure this" and "align this" are two kinds, each with its own hours.

What was not measured, or may have wandered, is swept; only what is known to be out is opened.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from linelog.calc.drift import DueBy
from linelog.plant.models import Plant, Station
from linelog.trends.due.rule import Due, Facts
from linelog.web.units import show_hours


class Kind(Enum):
    """What a visit is for."""

    ALIGN = "align"
    MEASURE = "measure"
    MEASURE_RUNNING = "measure running"


class StationRow(NamedTuple):
    """What is asked of a station in use."""

    machine_id: int
    pk: int
    name: str
    kind: str
    hours_to_open: float
    rear_z_mm: float | None

    @property
    def is_bushing(self) -> bool:
        """Whether the ram itself runs in it: then its clearance is measured."""
        return self.kind in Station.BUSHINGS

    @property
    def seats(self) -> int:
        """How many places there are to sweep."""
        return 1 if self.rear_z_mm is None else 2


@dataclass(frozen=True, slots=True)
class Work:
    """What the next visit does: the stations it opens and those it sweeps, and the hours of it.

    lock_hours    lockout and closing up; sweep_hours  of all sweeps, those as left too; open_hours  of opening
    """

    kind: Kind
    opens: tuple[str, ...]
    sweeps: tuple[str, ...]
    all_swept: bool
    lock_hours: float
    sweep_hours: float
    open_hours: float

    @property
    def hours(self) -> float:
        """All of it."""
        return round(self.lock_hours + self.sweep_hours + self.open_hours, 2)  # as it is read, so as it is planned

    @property
    def rests_on(self) -> str:
        """Say what the hours are made of."""
        parts = [f"{show_hours(self.lock_hours)} h for lockout and closing up"]
        if self.sweep_hours:
            what = "every station" if self.all_swept else ", ".join(self.sweeps)
            parts.append(
                f"{show_hours(self.sweep_hours)} h for sweeping {what}{' before and after' * bool(self.opens)}"
            )
        if self.opens:
            parts.append(f"{show_hours(self.open_hours)} h for opening {', '.join(self.opens)}")
        else:
            parts.append("nothing is to be opened")
        return "; ".join(parts)


def work_of(plant: Plant, facts: Facts, due: Due, stations: Iterable[StationRow], soon: Iterable[int]) -> Work:
    """Return the work of the next visit.

    soon  stations whose risk of being out is reached about when the machine is due: a check by risk sweeps these
    """
    own = list(stations)
    out = {one.station for one in facts.out}
    opened = [one for one in own if one.pk in out]
    if opened:
        return _work(plant, Kind.ALIGN, opened, own, own)
    if due.by is DueBy.RUNNING:
        return _work(plant, Kind.MEASURE_RUNNING, [], [], own)
    wanted = set(soon)
    by_risk = [one for one in own if one.pk in wanted] if due.by is DueBy.RISK else []
    return _work(plant, Kind.MEASURE, [], by_risk or own, own)


def _work(
    plant: Plant, kind: Kind, opened: Sequence[StationRow], swept: Sequence[StationRow], own: Sequence[StationRow]
) -> Work:
    sweeps = sum(one.seats for one in swept) + sum(one.seats for one in opened)  # what was opened again as left
    return Work(
        kind=kind,
        opens=tuple(one.name for one in opened),
        sweeps=tuple(one.name for one in swept),
        all_swept=len(swept) == len(own),
        lock_hours=plant.visit_base_hours,
        sweep_hours=sweeps * plant.sweep_minutes / 60.0,
        open_hours=sum(one.hours_to_open for one in opened),
    )
