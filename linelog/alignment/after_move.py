"""What a move does to the running machine: the station as it runs, carried along by the move and judged anew."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from linelog.alignment.computing import StationOutcome
from linelog.calc.moves import MoveSolution
from linelog.calc.uncertainty import planar
from linelog.calc.units import Unit
from linelog.calc.verdict import WORST_FIRST, Judged, Verdict, judge
from linelog.web.units import show_um

SAYS = {
    Verdict.OUT: "After this move it would still run out of its limit",
    Verdict.NOT_PROVEN: "After this move it is not proven when running",
    Verdict.IN: "After this move it runs inside its limit",
}


@dataclass(frozen=True, slots=True)
class AfterMove:
    """How a station is expected to run after a move: the worst of its seats and of its tilt.

    seat     the seat that decides; '' where there is one, or where the tilt decides
    by_tilt  whether the tilt decides: then `judged` is in mm/m, else in um
    besides  of offset and tilt the one that does not decide, where it would be out of its limit too
    """

    judged: Judged
    seat: str
    by_tilt: bool
    besides: AfterMove | None = None

    @property
    def verdict(self) -> Verdict:
        """In, out or not proven."""
        return self.judged.verdict

    def words(self, unit: Unit) -> str:
        """Say it with its figures: '...: 0.008 mm off expected, ± 0.004 mm, limit 0.1 mm.'; then what is besides."""
        own = self._words(unit)
        return f"{own} {self.besides.words(unit)}" if self.besides else own

    def _words(self, unit: Unit) -> str:
        one, lead = self.judged, SAYS[self.verdict]
        if self.by_tilt:
            return f"{lead}: {one.severity:.2f} of the tilt limit expected."
        size, within, limit = (show_um(um, unit, with_unit=True) for um in (one.size, one.expanded, one.limit))
        where = f" at the {self.seat} seat" if self.seat else ""
        return f"{lead}: {size} off{where} expected, ± {within}, limit {limit}."


def runs_after(running: StationOutcome, solution: MoveSolution) -> AfterMove | None:
    """Return how a station that runs so is expected to run once a move was made; None where a value is missing.

    running   the station as it runs, measured or expected: its uncertainty already holds that of what is expected
    solution  the move, worked out for whichever value: what it carries the station by is the same for all
    """
    pairs = zip(solution.before.judged, solution.after.judged, strict=True)
    seats = {before.name: (after.x_um - before.x_um, after.y_um - before.y_um) for before, after in pairs}
    found = []
    for seat, outcome in running.seats.items():
        value, carried = outcome.value, seats.get(seat)
        if value is None or outcome.judged is None or carried is None:
            return None
        moved = planar(value.x + carried[0], value.y + carried[1], value.budget)
        doubt = max(0.0, outcome.judged.expanded - value.radial.U)  # an unexplained closure stays as it was
        found.append(AfterMove(judge(moved.size, moved.radial.U + doubt, outcome.judged.limit), seat, by_tilt=False))
    tilt = running.tilt
    if tilt is not None and running.tilt_judged is not None:
        # The slope of an axis is the negative of the tilt of its face: `face.slope_from_tilt`.
        turns = [(b or 0.0) - (a or 0.0) for a, b in zip(solution.after.slopes, solution.before.slopes, strict=True)]
        left = math.hypot(tilt.x + turns[0], tilt.y + turns[1])
        limit = running.tilt_judged.limit
        found.append(AfterMove(judge(left, tilt.radial.U, limit), "", by_tilt=True))
    ranked = sorted(found, key=lambda one: (WORST_FIRST.index(one.verdict), -one.judged.severity))
    if not ranked:
        return None
    worst = ranked[0]
    other = next((one for one in ranked if one.by_tilt != worst.by_tilt and one.verdict is Verdict.OUT), None)
    return replace(worst, besides=other)


def same_move(one: MoveSolution, other: MoveSolution, within_um: float = 0.5) -> bool:
    """Whether two moves of the same adjusters ask for the same travel of each, to within `within_um`."""
    pairs = zip(one.moves, other.moves, strict=True)
    return all(abs(a.travel_um - b.travel_um) <= within_um for a, b in pairs)
