"""The words and times of a lockout at a machine: the machine's own, else the plant's, else ours as a beginning."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Q

from linelog.calc.lockout import Life, life
from linelog.plant.models import LockoutProcedure, Machine, Shift

STANDARDS = "29 CFR 1910.147; ISO 14118"
# What a plant begins with. Its own words, and its machines' own, take their place.
ISOLATION_POINTS = "Every energy source: electric, air, hydraulic, coolant and lubricant."
STORED_ENERGIES = (
    "Strip and dome air, accumulators, hydrostatic oil; gravity on domer door, cradle and ram; flywheel coasted down."
)
PINCH_POINTS = "Between punch and tool pack, at the domer door, under cradle and ram: no hand there while barring."
AFTER_TRY_OUT = "After trying to start it, put every control back to off."
OVERLAP_MINUTES = 30  # as the setting begins
TEXTS = ("number", "isolation_points", "stored_energies", "pinch_points", "after_try_out")
_OURS = {
    "number": "",
    "isolation_points": ISOLATION_POINTS,
    "stored_energies": STORED_ENERGIES,
    "pinch_points": PINCH_POINTS,
    "after_try_out": AFTER_TRY_OUT,
}


@dataclass(frozen=True, slots=True)
class LockoutWords:
    """What is shown before a lockout is verified; `ours` where the plant has not put its own words in all places."""

    number: str
    isolation_points: str
    stored_energies: str
    pinch_points: str
    after_try_out: str
    ours: bool
    standards: str = STANDARDS


def _records(machine: Machine) -> list[LockoutProcedure]:
    """Return what the machine says, then what its plant says, as far as they say anything."""
    plant = machine.line.plant_id
    rows = LockoutProcedure.objects.filter(Q(plant=plant, machine__isnull=True) | Q(machine=machine))
    return sorted(rows, key=lambda row: row.machine_id is None)


def words_of(machine: Machine) -> LockoutWords:
    """Return the words for a machine."""
    return _words(_records(machine))


def _words(rows: list[LockoutProcedure]) -> LockoutWords:
    said = {name: next((text for row in rows if (text := getattr(row, name).strip())), "") for name in TEXTS}
    ours = any(not said[name] for name in TEXTS if _OURS[name])
    return LockoutWords(**{name: said[name] or _OURS[name] for name in TEXTS}, ours=ours)


def words_of_all(machines: Iterable[Machine]) -> dict[int, LockoutWords]:
    """Return the words for each of some machines, by its key, in one query."""
    found = list(machines)
    plants = {machine.line.plant_id for machine in found}
    rows = list(LockoutProcedure.objects.filter(plant__in=plants).order_by("pk"))
    general = {row.plant_id: row for row in rows if row.machine_id is None}
    own = {row.machine_id: row for row in rows if row.machine_id is not None}
    return {
        one.pk: _words([row for row in (own.get(one.pk), general.get(one.line.plant_id)) if row is not None])
        for one in found
    }


def life_of(machine: Machine, verified_at: dt.datetime) -> Life:
    """Return until when a lockout of this machine stands that was verified at this time."""
    rows = _records(machine)
    plant = machine.line.plant
    by_shift = not rows or rows[0].ends_with_shift
    return life(
        verified_at,
        shift_starts=list(Shift.objects.filter(plant=plant).values_list("starts", flat=True)),
        zone=zoneinfo.ZoneInfo(plant.timezone),
        lasts_hours=next((row.lasts_hours for row in rows if row.lasts_hours is not None), None),
        overlap_minutes=(rows[0].overlap_minutes if rows else OVERLAP_MINUTES) if by_shift else None,
    )
