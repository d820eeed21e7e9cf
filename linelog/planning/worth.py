"""What an hour of the crew is worth at each machine, for the search for a plan. No page tells it as money.

It is held on plants of known truth against simple rules by `tests/bench/bench_plan.py`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linelog.calc.money import CostRates, cost_of
from linelog.calc.next_visit import expected_hours, usual_rates, worth_a_week
from linelog.trends.bushings.pace import BushingNow, bushings_of
from linelog.trends.due.now import DAYS
from linelog.trends.due.visit_now import shares
from linelog.trends.evidence.kinds import KindEffects, likeliest
from linelog.trends.evidence.scope import SPOILED, TEAR_OFFS
from linelog.trends.state.outlook import Coming, MachineState

WEEK = 7.0


@dataclass(frozen=True, slots=True)
class Worth:
    """A visit to a machine: the hours that it is expected to take, and what it is expected to save in a week.

    a_week  in the plant's money by the likeliest effects; None where nothing is known of what a visit does
    """

    hours: float
    a_week: float | None


def worths(coming: Coming) -> dict[int, Worth]:
    """Return what the next visit of each machine is worth."""
    states = list(coming.machines.values())
    effects = likeliest(coming.plant, (TEAR_OFFS, SPOILED))
    counted = {SPOILED: _a_week(states, "spoiled"), TEAR_OFFS: _a_week(states, "tear_offs")}
    plant = coming.plant
    rates = CostRates(plant.can_cost, plant.tear_off_clear_minutes, plant.minute_value)
    each = {SPOILED: cost_of(1.0, 0.0, rates).total, TEAR_OFFS: cost_of(0.0, 1.0, rates).total}
    bushings = bushings_of(coming.machines, coming.today)
    found = {}
    for number, state in enumerate(states):
        own = bushings.get(state.machine.pk, ())
        saves = _saves(state, own)
        a_week = None
        if saves is not None:
            a_week = sum(
                each[one] * worth_a_week(list(saves.values()), _of(effects[one], state, saves), counted[one][number])
                for one in (SPOILED, TEAR_OFFS)
            )
        found[state.machine.pk] = Worth(_hours(state, plant.sweep_minutes / 60.0, own), a_week)
    return found


def _a_week(states: list[MachineState], name: str) -> list[float]:
    """Return counts a week of each machine, drawn a little to the plant's rate."""
    totals = [state.totals for state in states]
    counts = np.array([getattr(one, name) if one else 0.0 for one in totals], dtype=np.float64)
    million = np.array([one.made / 1e6 if one else 0.0 for one in totals])
    return [float(one) for one in usual_rates(counts, million) * million * WEEK / DAYS]


def _saves(state: MachineState, bushings: Sequence[BushingNow]) -> Mapping[int, float] | None:
    """Return the limits that a visit saves by station that it sweeps, of bushings by their clearance.

    None where it is not known.
    """
    known = [
        one.place for one in state.places if one.place.saves is not None and one.station.name in state.work.sweeps
    ]
    if not known or state.facts.overtaken:
        return None
    found: dict[int, float] = {}
    for share, place in zip(shares([(0, one.key) for one in known]), known, strict=True):
        found[place.station] = found.get(place.station, 0.0) + share * (place.saves or 0.0)
    if state.work.all_swept:
        found |= {one.station: found.get(one.station, 0.0) + one.saves for one in bushings}
    return found


def _of(effects: KindEffects, state: MachineState, saves: Mapping[int, float]) -> list[float]:
    kinds = {one.place.station: one.station.kind for one in state.places}
    return [effects.of(kinds.get(station, "")) for station in saves]


def _hours(state: MachineState, sweep: float, bushings: Sequence[BushingNow]) -> float:
    """Return the hours of the work, and of opening what it does not plan to open by the chance that it will."""
    opened, swept = {one.station for one in state.facts.out}, set(state.work.sweeps)
    chance: dict[int, tuple[float, float]] = {}
    for one in state.places:
        if one.place.station not in opened and one.station.name in swept:
            before = chance.get(one.place.station, (0.0, 0.0))[0]
            chance[one.place.station] = (max(before, one.place.opens or 0.0), one.station.hours_to_open + sweep)
    if state.work.all_swept:
        more = {one.station: (one.opens, one.hours_to_open + sweep) for one in bushings if one.station not in opened}
        chance |= more
    opens, hours = zip(*chance.values(), strict=True) if chance else ((), ())
    return round(expected_hours(state.work.hours, [], opens, hours), 2)
