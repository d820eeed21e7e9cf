"""A station proven neither in nor out: how many more sweeps would prove it, or that none will."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from linelog.alignment.computing import Outcome, StationOutcome
from linelog.alignment.models import Sweep
from linelog.calc.proof import SweepsToProve, at_more_positions, sweeps_to_prove
from linelog.calc.uncertainty import Planar
from linelog.calc.units import SlopeUnit, Unit, show_um
from linelog.calc.verdict import Verdict
from linelog.web.units import show_slope, slope_unit

POSITIONS_THAT_TELL = 8
MOST_REPEATS = 9  # that can be logged
#: Steps that dials are made with, um, the coarsest first: metric, and by whether the reader reads inches the others.
STEPS_UM = {False: (10.0, 5.0, 2.0, 1.0), True: (25.4, 12.7, 2.54)}  # common practice, no source


@dataclass(frozen=True, slots=True)
class _Open:
    """One value that is not proven, with the sweep it rests on; um, a tilt in mm/m."""

    value: Planar
    limit: float
    swept: Outcome
    slopes: SlopeUnit | None = None  # of a tilt: what the reader reads it in

    @property
    def positions(self) -> int:
        return self.swept.quality.positions if self.swept.quality else 0

    @property
    def repeats(self) -> int:
        return self.swept.quality.repeats if self.swept.quality else 0

    def forecast(self, value: Planar, positions: int) -> SweepsToProve:
        return sweeps_to_prove(value, self.limit, positions, doubt=self.swept.doubt)

    def shown(self, size: float, unit: Unit) -> str:
        if self.slopes is not None:
            return show_slope(size, self.slopes, with_unit=True)
        return show_um(size, unit, signed=False)


def _open(found: StationOutcome, unit: Unit) -> Iterator[_Open]:
    for outcome in found.seats.values():
        if outcome.value and outcome.judged and outcome.judged.verdict is Verdict.NOT_PROVEN:
            yield _Open(outcome.value, found.station.limit_um, outcome)
    limit, judged = found.station.tilt_limit_mm_per_m, found.tilt_judged
    if limit and found.tilt and judged and judged.verdict is Verdict.NOT_PROVEN:
        swept = [one for one in (found.face, *found.seats.values()) if one and one.value]
        if swept:
            yield _Open(found.tilt, limit, swept[0], slope_unit(found.station.machine.line.plant, unit))


def not_proven_words(found: StationOutcome, unit: Unit) -> str:
    """Say what would prove a station in or out: so many sweeps, more positions, a finer dial, or nothing here."""
    still = list(_open(found, unit))
    coarse = next((one for one in still if one.swept.coarse), None)
    if coarse is not None:
        return coarse_words(coarse.swept, coarse.limit, unit)
    forecasts = [(one, one.forecast(one.value, one.positions)) for one in still]
    stuck = next(((one, seen) for one, seen in forecasts if not _within_reach(one, seen)), None)
    if stuck is not None:
        return _stuck_words(*stuck, unit)
    more = max((seen.more or 1 for _, seen in forecasts), default=1)
    fewest = min((one.positions for one, _ in forecasts), default=POSITIONS_THAT_TELL)
    if more > 1 and fewest < POSITIONS_THAT_TELL:
        return (
            f"Not proven either way: sweep it {more} more times (next repeats), or at {POSITIONS_THAT_TELL} "
            "positions, before anything is moved; at this offset that is enough."
        )
    if more > 1:
        return (
            f"Not proven either way: sweep it {more} more times (next repeats) before anything is moved; "
            "at this offset that is enough."
        )
    return (
        "Not proven either way: sweep it once more (next repeat) before anything is moved; "
        "at this offset that is enough."
    )


def tilt_left_words(found: StationOutcome, unit: Unit) -> str:
    """Say, beside a move for the offset, that a tilt not proven out is left, and what would prove it."""
    one = next((each for each in _open(found, unit) if each.slopes is not None), None)
    if one is None:
        raise ValueError("no tilt is open here")
    size, within, limit = (one.shown(part, unit) for part in (one.value.size, one.value.radial.U, one.limit))
    lead = f"The tilt is left as it is: {size} ± {within} is not proven out of its limit of {limit}."
    seen = one.forecast(one.value, one.positions)
    if not _within_reach(one, seen):
        return f"{lead} {_stuck_words(one, seen, unit)}"
    row = one.swept.row
    what = "the face" if row is not None and row.kind == Sweep.Kind.FACE else "each seat"
    times = f"{seen.more} more times (next repeats)" if (seen.more or 1) > 1 else "once more (next repeat)"
    return f"{lead} To prove it, sweep {what} {times}: at this tilt that is enough."


def _within_reach(one: _Open, seen: SweepsToProve) -> bool:
    return seen.more is not None and one.repeats + seen.more <= MOST_REPEATS


def _stuck_words(one: _Open, seen: SweepsToProve, unit: Unit) -> str:
    stays = one.shown(seen.expanded, unit)
    if one.positions < POSITIONS_THAT_TELL:
        better = one.forecast(at_more_positions(one.value, one.positions, POSITIONS_THAT_TELL), POSITIONS_THAT_TELL)
        if better.more is not None and better.more <= MOST_REPEATS:
            return (
                f"Not proven, and no more sweeps at {one.positions} positions will prove it at this offset "
                f"(±{stays} stays however often it is swept): sweep it at {POSITIONS_THAT_TELL} positions."
            )
    if seen.more is not None:
        return (
            f"Not proven: at this offset {seen.more} more sweeps would be needed to prove it. "
            "Nothing is to be moved on this value."
        )
    return (
        f"Not proven, and no number of sweeps will prove it at this offset: ±{stays} stays however often it is "
        "swept. Nothing is to be moved on this value; a finer dial, or a better known sag, centring or droop, "
        "narrows it."
    )


def coarse_words(swept: Outcome, limit: float, unit: Unit) -> str:
    """Say that the dial is too coarse for the limit, and which dial is not."""
    row = swept.row
    step_um = row.resolution_um if row else 0.0
    radius_mm = (row.face_radius_mm if row and row.kind == Sweep.Kind.FACE else None) or 1.0
    most_um = limit * radius_mm / 2.0
    made = next((one for one in STEPS_UM[unit is Unit.INCH] if one <= most_um), most_um)
    finest = show_um(made, unit, signed=False)
    step = show_um(step_um, unit, signed=False)
    return (
        f"The dial is too coarse for this limit: two of its steps of {step} exceed it. "
        f"Use a dial with steps of {finest} or finer."
    )
