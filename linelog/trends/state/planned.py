"""When visits are planned: told by whoever keeps the plan, which stands above this and cannot be asked from here.

planned.told_by(planned_weeks)      # in ready() of the app
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Planned:
    """The open entry of a machine in the plan; `starts_at` is None where its week has no stop for it.

    stops  how many it takes
    """

    pk: int
    week: dt.date
    starts_at: dt.datetime | None
    hours: float
    stops: int = 1

    @property
    def words(self) -> str:
        """The week as it reads."""
        return f"week {self.week.isocalendar().week}, from {self.week.isoformat()}"


Teller = Callable[[Collection[int]], Mapping[int, Planned]]
_TELLERS: list[Teller] = []


def told_by(teller: Teller) -> None:
    """Have what a plan holds told by this function, by machine."""
    if teller not in _TELLERS:
        _TELLERS.append(teller)


def planned(machines: Collection[int]) -> dict[int, Planned]:
    """Return the open entries of machines."""
    found: dict[int, Planned] = {}
    for teller in _TELLERS:
        found.update(teller(machines))
    return found
