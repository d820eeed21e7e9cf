"""How a machine's ram hangs where its stations are read: rows in, plain numbers out, nothing written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linelog.alignment.models import Sweep, Visit
from linelog.calc import droop
from linelog.calc.require import Floats
from linelog.plant.models import Machine, Station
from linelog.plant.ram import HangingRam, Record, ram_record

ALONG = 181  # places along the ram of a drawn line
BEHIND_MM = 60.0  # the line is drawn from so far behind the rear bushing
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)  # of the stroke, the positions always drawn


def record_of(machine: Machine) -> Record:
    """Return what the set-up knows of a machine's ram (one query for its sections)."""
    return ram_record(machine, list(machine.ram_sections.all()))


def nose_for(hanging: HangingRam, z_mm: float, travel_mm: float | None) -> float:
    """Return the nose's z for a reading at z: by the ram position typed, else just at the place that is read."""
    if travel_mm is None:
        return min(max(z_mm, hanging.back_mm), hanging.forward_mm)
    return hanging.nose_z_mm(travel_mm)


@dataclass(frozen=True, slots=True)
class Reading:
    """At which ram position a place was read, and in which visit; None where that was not typed."""

    travel_mm: float | None
    visit: Visit | None = None


Positions = dict[tuple[int, str], Reading]  # station, seat


def positions_read(machine: Machine) -> Positions:
    """Return the ram position of the newest sweep of each place in the last visit that typed any (two queries)."""
    typed = Sweep.objects.filter(visit__machine=machine, ram_position_mm__isnull=False, kind=Sweep.Kind.RIM)
    typed = typed.exclude(visit__state=Visit.State.DROPPED)
    last = typed.select_related("visit").order_by("-visit__opened_at", "-visit_id", "-pk").first()
    if last is None:
        return {}
    rows = typed.filter(visit_id=last.visit_id).order_by("pk").values_list("station_id", "seat", "ram_position_mm")
    return {(station, seat): Reading(travel, last.visit) for station, seat, travel in rows}


@dataclass(frozen=True, slots=True)
class Hangs:
    """A station's seat with the ram hanging there as it was read: um and mm/m, hanging is negative.

    `deflection_um` is the sum of what clearance, the ram's own weight, and the punch and fittings do.
    """

    station: Station
    seat: str
    z_mm: float
    travel_mm: float
    typed: bool
    reached: bool
    deflection_um: float
    within_um: float
    slope_mm_per_m: float
    clearance_um: float
    weight_um: float
    punch_um: float
    chosen_um: float


def at_stations(
    hanging: HangingRam, stations: Sequence[Station], read: Positions, chosen_mm: float
) -> tuple[Hangs, ...]:
    """Return how the ram hangs at every seat, at the ram position of its own reading and at the chosen one."""
    seats = [(station, seat) for station in stations for seat in station.seats]
    if not seats:
        return ()
    z = np.array([station.seat_z_mm(seat) for station, seat in seats])
    typed = [read.get((station.pk, seat), Reading(None)).travel_mm for station, seat in seats]
    nose = np.array([nose_for(hanging, float(place), travel) for place, travel in zip(z, typed, strict=True)])
    seen = droop.hang(hanging.ram, nose, z[:, None])
    bare = droop.hang(replace(hanging.ram, masses=()), nose, z[:, None])
    u = droop.standard_uncertainty_um(seen, clearance_u_um=hanging.clearance_u_um, weight_u=hanging.bending_u)
    chosen = droop.hang(hanging.ram, [hanging.nose_z_mm(chosen_mm)], z)
    return tuple(
        Hangs(
            station=station,
            seat=seat,
            z_mm=float(z[n]),
            travel_mm=hanging.travel_mm(float(nose[n])),
            typed=typed[n] is not None,
            reached=bool(seen.on_ram[n, 0]),
            deflection_um=float(seen.deflection_um[n, 0]),
            within_um=2.0 * float(u[n, 0]),
            slope_mm_per_m=float(seen.slope_mm_per_m[n, 0]),
            clearance_um=float(seen.tipped_um[n, 0]),
            weight_um=float(bare.bent_um[n, 0]),
            punch_um=float(seen.bent_um[n, 0] - bare.bent_um[n, 0]),
            chosen_um=float(chosen.deflection_um[0, n]),
        )
        for n, (station, seat) in enumerate(seats)
    )


@dataclass(frozen=True, slots=True)
class Lines:
    """The hanging ram drawn at p positions over m places: arrays (p, m), NaN where there is no ram."""

    travel_mm: Floats
    z_mm: Floats
    deflection_um: Floats
    slope_mm_per_m: Floats


def lines_of(hanging: HangingRam, chosen_mm: float) -> Lines:
    """Return the ram from full back to full forward, and last at the chosen position."""
    travel = np.array([*(share * hanging.stroke_mm for share in SHARES), chosen_mm])
    nose = hanging.back_mm + travel
    z = np.linspace(hanging.ram.rear.z_mm - BEHIND_MM, hanging.forward_mm, ALONG)
    seen = droop.hang(hanging.ram, nose, z)
    gap = np.where(seen.on_ram, 0.0, np.nan)
    return Lines(travel, z, seen.deflection_um + gap, seen.slope_mm_per_m + gap)


def usual_position(hanging: HangingRam, read: Positions) -> float:
    """Return the ram position to start with: the most forward one of the last visit, else full forward."""
    typed = [reading.travel_mm for reading in read.values() if reading.travel_mm is not None]
    within = [travel for travel in typed if 0.0 <= travel <= hanging.stroke_mm]
    return max(within, default=hanging.stroke_mm)
