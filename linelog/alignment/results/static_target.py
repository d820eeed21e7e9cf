"""The static target of a station: where to leave it with the ram hanging so that it is true when the machine runs."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from linelog.alignment.results.captions import where_words
from linelog.alignment.running import Knowledge, shift_for
from linelog.calc.readings import View
from linelog.calc.uncertainty import Planar
from linelog.calc.units import Unit
from linelog.plant.models import Station
from linelog.web.units import show_um

NEXT_TO_NOTHING_UM = 0.5


@dataclass(frozen=True, slots=True)
class StaticTarget:
    """What to aim for at one seat: the static offset in um with its uncertainty, and what it rests on.

    pairs    how many pairs it was learned from; 0: from the ram's droop alone
    """

    seat: str
    aim: Planar
    pairs: int


def target_at(
    knowledge: Knowledge,
    station: Station,
    seat: str,
    travel_mm: float | None,
    at: dt.datetime,
    carrier: str = Station.Carrier.RAM,
) -> StaticTarget | None:
    """Return the static target of a seat as it is read at a ram position; None where nothing is known."""
    shift = shift_for(knowledge, station, seat, travel_mm, at, carrier)
    if shift is None:
        return None
    on_bar = carrier == Station.Carrier.BAR
    learned = knowledge.learned_on_bar(station, at) if on_bar else knowledge.learned(station, at)
    return StaticTarget(seat, shift.target, learned.pairs if learned else 0)


def target_words(target: StaticTarget, unit: Unit, view: View) -> str:
    """Say the target as a mechanic sets it: "0.163 mm above the ram line, ± 0.030 mm"."""
    aim = target.aim
    within = show_um(aim.radial.U, unit, with_unit=True)
    if aim.size < NEXT_TO_NOTHING_UM:
        return f"on the ram line, ± {within}"
    return f"{show_um(aim.size, unit, with_unit=True)} {where_words(aim.x, aim.y, view)}, ± {within}"


def rests_on(target: StaticTarget) -> str:
    """Say what a target rests on."""
    if target.pairs:
        return f"Learned from {target.pairs} pairs of static and running values of this station."
    return "From the ram's droop alone: not proven by a running measurement yet."
