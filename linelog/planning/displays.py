"""What a display on the wall shows of a line: how each machine stands and what to do; no people, no money."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from linelog.plant.models import Line
from linelog.production import weeks
from linelog.production.days import zone
from linelog.trends.state.outlook import MachineState, coming
from linelog.trends.state.todo import Todo, need_key, todo

DAY_FROM, NIGHT_FROM = dt.time(6), dt.time(20)  # common practice, no source; ?look=day or ?look=night says otherwise
LOOKS = ("day", "night")


@dataclass(frozen=True, slots=True)
class Shown:
    """A line as it stands: its machines with what to do, the plant's own time, and the look."""

    line: Line
    rows: tuple[tuple[MachineState, Todo], ...]
    at: dt.datetime
    look: str
    zone: str

    @property
    def out(self) -> int:
        """How many machines are out."""
        return sum(1 for state, _ in self.rows if state.is_out)

    @property
    def due(self) -> int:
        """How many machines are due."""
        return sum(1 for state, _ in self.rows if state.due.is_due)


def read(line: Line, at: dt.datetime, look: str) -> Shown:
    """Read what the display of a line shows; a look that is not known is taken by the plant's clock."""
    states = coming(line.plant, weeks.USUAL, at=at).machines.values()
    rows = [(state, todo(state)) for state in states if state.machine.line_id == line.pk]
    chosen = look if look in LOOKS else look_at(at.astimezone(zone(line.plant)).time())
    return Shown(line, tuple(sorted(rows, key=lambda row: need_key(*row))), at, chosen, line.plant.timezone)


def look_at(clock: dt.time) -> str:
    """Return the look for a time of the plant's clock."""
    return "day" if DAY_FROM <= clock < NIGHT_FROM else "night"
