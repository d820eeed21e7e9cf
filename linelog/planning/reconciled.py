"""The money of the plan machine by machine: lost if nothing is aligned, avoided by the plan, lost all the same.

Each amount is rounded once to whole units, for its machine, so that who adds the column up comes to its last line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from linelog.planning.models import PlannedVisit
from linelog.planning.suggest import avoided_of
from linelog.trends.state.outlook import Coming, MachineState


@dataclass(frozen=True, slots=True)
class MoneyRow:
    """One machine in the weeks of the plan, in the plant's money.

    a_week   the first week if it is left, as the page of its next visit says it; None where that is not known
    lost     in all the weeks if it is left; avoided: of that by its entry, where there is room for it
    """

    outlook: MachineState
    a_week: int | None
    lost: int
    avoided: int

    @property
    def still(self) -> int:
        """What is lost all the same."""
        return self.lost - self.avoided


@dataclass(frozen=True, slots=True)
class Reconciled:
    """All machines that lose anything, those that lose most first; the others are counted."""

    rows: tuple[MoneyRow, ...]
    others: int

    @property
    def a_week(self) -> int:
        """What is known of the first week, added up."""
        return sum(row.a_week or 0 for row in self.rows)

    @property
    def lost(self) -> int:
        """All of it."""
        return sum(row.lost for row in self.rows)

    @property
    def avoided(self) -> int:
        """All of it."""
        return sum(row.avoided for row in self.rows)

    @property
    def still(self) -> int:
        """All of it."""
        return self.lost - self.avoided


def reconcile_money(coming: Coming, entries: Sequence[PlannedVisit], room: frozenset[int]) -> Reconciled:
    """Put together what each machine loses in the weeks, and what the entries that there is room for avoid of it."""
    avoided: Mapping[int, float] = {
        entry.machine_id: avoided_of(coming, entry) for entry in entries if entry.pk in room
    }
    rows = [
        MoneyRow(state, state.a_week_told, round(sum(state.money)), round(avoided.get(pk, 0.0)))
        for pk, state in coming.machines.items()
    ]
    found = sorted((row for row in rows if row.lost or row.a_week), key=lambda row: -row.lost)
    return Reconciled(tuple(found), len(rows) - len(found))
