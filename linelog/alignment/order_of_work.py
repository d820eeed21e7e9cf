"""In which order the stations of a machine are taken once one of them runs out, and what is measured afterwards.

First the bushings, since every station runs by them; then the tool pack; then what follows it (common practice, no
source). What is right as it stands is left out of the list, the bushings and the station asked for never.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from linelog.alignment.models import BushingClearance, BushingFitted, Stage, Visit
from linelog.alignment.results.now import machine_statuses
from linelog.alignment.results.of_visit import left_last, visit_statuses
from linelog.alignment.results.status import StationStatus
from linelog.calc.station_state import Next
from linelog.calc.verdict import Verdict
from linelog.plant.models import Station

HERE = "The move is told on this page. Make it when its turn comes."
UNMEASURED_BUSHING = (
    "Its clearance was never measured: move the ram to both of its stops before any station is moved, since all of "
    "them run by the bushings."
)
WORN_BUSHING = "Worn out: renew it first, and measure every station again before one is moved."
UNPROVEN_BUSHING = "Its clearance is not proven: measure it again with a finer dial before any station is moved."
SOUND_BUSHING = "Its clearance is inside its wear limit: leave it."
MOVE_FIRST = "Out: move it first, then measure again what follows it."
MOVE_IN_TURN = "Out: move it in its turn, by its own page."
MOVE_AFTER_PACK = "Out: move it only after the tool pack, and measure it running again before that."
THEN = {
    Next.MEASURE: "Not measured yet: measure it before what follows it is moved.",
    Next.READ_AGAIN: "Its readings are doubtful: read it again.",
    Next.SWEEP_MORE: "Not proven: sweep it with more readings.",
    Next.MEASURE_RUNNING: "Measure it running before it is moved.",
}
SWEEP_AS_LEFT = "After final torque sweep it as left, with the machine still locked out."
RUN_AGAIN = "Then run the machine and measure it running again, at the same speed and over at least as many strokes."
RUN_FOLLOWERS = "Measure running again what follows it as well: {stations}."


@dataclass(frozen=True, slots=True)
class Step:
    """One station in the order, what is to be done there, and how it stands (None for a bushing)."""

    station: Station
    words: str
    here: bool = False
    status: StationStatus | None = None

    @property
    def to_do(self) -> bool:
        """Whether anything is to be done at it."""
        return self.words != SOUND_BUSHING


def steps_of(statuses: Sequence[StationStatus], here: StationStatus, at: dt.datetime) -> tuple[Step, ...]:
    """Return the stations to take in their order, for a station that is to be moved for its running value.

    statuses  how the stations of its machine stand, `here` among them by its newest value
    at        clearances measured by then count
    """
    bushings = [one.station for one in statuses if one.station.is_bushing]
    clearances = clearances_of(bushings, at)
    steps = [Step(one, _bushing_words(clearances.get(one.pk))) for one in bushings]
    newest = [here if one.station.pk == here.station.pk else one for one in statuses]
    others = sorted((one for one in newest if not one.station.is_bushing), key=_turn)
    pack_moves = any(one.station.kind == Station.Kind.TOOL_PACK and one.then is Next.MOVE for one in others)
    for one in others:
        if one is here:
            steps.append(Step(one.station, HERE, here=True, status=here))
        elif words := _words(one, here, pack_moves=pack_moves):
            steps.append(Step(one.station, words, status=one))
    return tuple(steps)


def steps_in(visit: Visit, here: StationStatus, at: dt.datetime) -> tuple[Step, ...]:
    """Return the same for a station of a visit, the others as this visit left or found them, else as they stood."""
    signed = machine_statuses(visit.machine, at)
    mine = visit_statuses(visit, [one.station for one in signed], at)
    return steps_of([left_last(mine, one.station) or one for one in signed], here, at)


def first_of(steps: Iterable[Step]) -> Step | None:
    """Return the first at which anything is to be done."""
    return next((one for one in steps if one.to_do), None)


def after_words(here: Station, stations: Iterable[Station]) -> tuple[str, ...]:
    """Say what is measured after a station was moved for its running value."""
    words = [SWEEP_AS_LEFT, RUN_AGAIN]
    followers = [one for one in stations if one.order > here.order and not one.is_bushing]
    if here.kind == Station.Kind.TOOL_PACK and followers:
        words.append(RUN_FOLLOWERS.format(stations=", ".join(one.name for one in followers)))
    return tuple(words)


def _turn(status: StationStatus) -> tuple[bool, int, int]:
    station = status.station
    return station.kind != Station.Kind.TOOL_PACK, station.order, station.pk


def _words(one: StationStatus, here: StationStatus, *, pack_moves: bool) -> str:
    """Say what is to be done at a station beside the one asked for; '' where nothing is, or not for its sake."""
    is_pack = one.station.kind == Station.Kind.TOOL_PACK
    if one.then is Next.MOVE:
        return MOVE_FIRST if is_pack else MOVE_AFTER_PACK if pack_moves else MOVE_IN_TURN
    if one.then is Next.MEASURE and not (is_pack and here.station.order > one.station.order):
        return ""  # nobody measured it and nothing here waits for it
    return THEN.get(one.then, "")


def _bushing_words(row: BushingClearance | None) -> str:
    if row is None:
        return UNMEASURED_BUSHING
    if row.verdict == Verdict.OUT.value:
        return WORN_BUSHING
    return SOUND_BUSHING if row.verdict == Verdict.IN.value else UNPROVEN_BUSHING


def clearances_of(bushings: Sequence[Station], at: dt.datetime) -> dict[int, BushingClearance]:
    """Return the newest clearance of each bushing as it is fitted, also from visits that are still open."""
    if not bushings:
        return {}
    kept = {"station__in": [one.pk for one in bushings], "at__lte": at}
    fitted: dict[int, BushingFitted] = {}
    for new in BushingFitted.objects.filter(**kept).exclude(visit__state=Visit.State.DROPPED):
        fitted[new.station_id] = new
    rows = BushingClearance.objects.filter(**kept).exclude(visit__state=Visit.State.DROPPED).order_by("at", "pk")
    return {row.station_id: row for row in rows if _is_of(row, fitted.get(row.station_id))}


def _is_of(row: BushingClearance, fitted: BushingFitted | None) -> bool:
    """Whether a clearance is of the bushing that runs now."""
    if fitted is None:
        return True
    if row.visit_id == fitted.visit_id:
        return row.stage == Stage.AS_LEFT
    return row.at > fitted.at
