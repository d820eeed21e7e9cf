"""Invented findings down the line, which follow the same hidden truth as everything else.

A machine gives findings of a code by chance, at a rate per million cans that rises with the share of its limit at
which the code's station lies that day: log-linear, as the tear-offs do. What the can says of itself is then written
down as people write it: a mark that can't be read in full, none at all, a date code at the filler.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.demo.scenario import FindingPlan, MachinePlan, Scenario, ToldFinding
from linelog.plant.models import DefectCode, FindingPlace, Machine, MarkAssignment, Person, Plant, Shift
from linelog.production.made import Told, made
from linelog.production.models import Finding

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
#: Where it is found, how often, and after how many days at the least and at the most.
PLACES = (
    *(("Bench", 0.34, 0, 0), ("Washer", 0.1, 0, 0), ("Necker", 0.16, 0, 1)),
    *(("Light tester", 0.25, 0, 2), ("Filler", 0.15, 12, 60)),
)
UNREAD_SHARE, NO_MARK_SHARE = 0.06, 0.04
UPRIGHT, SLOPES = slice(0, 2), slice(2, 4)


@dataclass(frozen=True, slots=True)
class Past:
    """What a machine went through: where its stations lay every day, and the cans begun every shift."""

    machine: Machine
    plan: MachinePlan
    names: tuple[str, ...]
    limits: Floats
    states: Floats
    begun: Whole


class Desk:
    """Where findings are written down: the lists, the people, and the marks of every day."""

    def __init__(self, scenario: Scenario, plant: Plant, by: Person, shifts: Sequence[Shift], first: dt.date) -> None:
        self.scenario, self.plant, self.by, self.shifts, self.first = scenario, plant, by, shifts, first
        self.places = {place.name: place for place in FindingPlace.objects.filter(plant=plant)}
        self.codes = {code.code: code for code in DefectCode.objects.filter(plant=plant)}
        self.marks = list(MarkAssignment.objects.filter(machine__line__plant=plant).order_by("starts_on", "pk"))

    def mark_on(self, machine: Machine, day: dt.date) -> str:
        """Return the mark that the machine's domer had got last by that day."""
        on = [one for one in self.marks if one.machine_id == machine.pk and one.starts_on <= day]
        held = [one.mark for one in on if one.ends_on is None or day <= one.ends_on]
        return held[-1] if held else ""

    def findings_of(self, past: Past, at: dt.datetime) -> list[Finding]:
        """Return the findings of a machine, unsaved, in the order in which they were made."""
        rng = np.random.default_rng([past.plan.seed, 7])
        drawn = []
        for plan in self.scenario.findings:
            mean = past.begun / 1e6 * _rate(plan, past)[:, None]
            for day, shift in np.argwhere(rng.random(past.begun.shape) < -np.expm1(-mean)):
                drawn.append((int(day), int(shift), plan.code))
        found = [self._written(rng, past.machine, day, shift, code, at) for day, shift, code in sorted(drawn)]
        return [one for one in found if one is not None]

    def _written(
        self, rng: np.random.Generator, machine: Machine, day: int, shift: int, code: str, at: dt.datetime
    ) -> Finding | None:
        at_place = int(rng.choice(len(PLACES), p=[share for _, share, _, _ in PLACES]))
        place, _, soonest, latest = PLACES[at_place]
        found_day = day + int(rng.integers(soonest, latest + 1))
        made_on = self.first + dt.timedelta(days=day)
        mark = _as_read(rng, self.mark_on(machine, made_on))
        quantity = int(rng.geometric(0.3))
        if found_day >= self.scenario.days:
            return None  # not found yet
        coded = place == "Filler"
        told = ToldFinding(found_day, place, code, quantity, mark, made_day=day)
        return self.enter(told, at, date_code=self._code(made_on, shift) if coded else "")

    def _code(self, day: dt.date, shift: int) -> str:
        return f"{day.year % 10}{day.timetuple().tm_yday:03d}{self.shifts[shift].code}"

    def enter(self, told: ToldFinding, at: dt.datetime, *, date_code: str = "") -> Finding:
        """Return one finding, unsaved, as somebody entered it."""
        found_on = self.first + dt.timedelta(days=told.day)
        typed = self.first + dt.timedelta(days=told.day if told.made_day is None else told.made_day)
        when = made(self.plant, Told(found_on, None if date_code else typed, None, date_code), at)
        return Finding(
            plant=self.plant,
            place=self.places[told.place],
            code=self.codes[told.code],
            quantity=told.quantity,
            found_on=found_on,
            mark=told.mark,
            date_code=date_code,
            made_by=when.by,
            made_on=when.on,
            made_from=when.begins,
            made_to=when.ends,
            note=told.note,
            complaint=told.complaint,
            customer_reference=told.customer_reference,
            containment=told.containment,
            cause=told.cause,
            by=self.by,
            at=min(at, when.ends + dt.timedelta(days=(found_on - when.on).days)),
        )


def _rate(plan: FindingPlan, past: Past) -> Floats:
    """Return the rate per million cans of every day, (days,)."""
    rate = np.full(len(past.states), plan.per_million * past.plan.finding_shares.get(plan.code, 1.0))
    if plan.station not in past.names:
        return rate
    at = past.names.index(plan.station)
    part = SLOPES if plan.tilt else UPRIGHT
    share = np.hypot(*past.states[:, at, part].T) / past.limits[at, part.start]
    return np.asarray(rate * np.exp(plan.per_severity * np.minimum(share, 3.0)))


def _as_read(rng: np.random.Generator, mark: str) -> str:
    """Return a mark as somebody reads it off the dome."""
    luck, where = rng.random(), int(rng.integers(0, max(len(mark), 1)))
    if luck < NO_MARK_SHARE:
        return ""
    if luck < NO_MARK_SHARE + UNREAD_SHARE and len(mark) > 1:
        return f"{mark[:where]}?{mark[where + 1 :]}"
    return mark
