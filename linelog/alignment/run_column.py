"""The column "When running" of an entry screen: the value measured running, or what a sweep is expected to be."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.alignment.computing import Outcome
from linelog.alignment.results.status import Figure
from linelog.calc import frame
from linelog.calc.readings import View

Pair = tuple[float, float]  # a value and its U, um
K = 2.0  # of a running value: its standard uncertainties are kept of what was typed at about 95 %


@dataclass(frozen=True, slots=True)
class RunColumn:
    """A running value in a person's view: right and up with U of each axis, radial with its own; um."""

    across: Pair
    up: Pair
    radial: Pair
    verdict: str
    is_measured: bool

    @property
    def tir_um(self) -> float:
        """Full indicator reading: twice the radial offset."""
        return 2.0 * self.radial[0]


def column_of_run(ran: Figure, view: View) -> RunColumn:
    """Return the column of a value that was measured running; of a station with two seats it is of its middle."""
    x, y = frame.turn(ran.x_um, ran.y_um, view)
    within = K * ran.value.u_x_um, K * ran.value.u_y_um
    radial = ran.radial_um, ran.expanded_um
    return RunColumn((x, within[0]), (y, within[1]), radial, ran.judged.verdict.value, is_measured=True)


def column_of_outcome(expected: Outcome, view: View) -> RunColumn | None:
    """Return the column of what a sweep is expected to come to; None where it has no value."""
    value = expected.value
    if value is None:
        return None
    x, y = frame.turn(value.x, value.y, view)
    verdict = expected.judged.verdict.value if expected.judged else ""
    sides = (x, value.across.U), (y, value.up.U)
    return RunColumn(*sides, (value.size, value.radial.U), verdict, is_measured=False)
