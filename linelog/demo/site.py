"""What the simulation must know of a stored machine, read once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linelog.calc import droop
from linelog.calc.adjust import Mount, mount
from linelog.demo.model import Places
from linelog.plant.adjusting import adjuster_of, reference_z_mm
from linelog.plant.models import Adjuster, Machine, Station

STEEL_KG_PER_M3, STEEL_GPA = 7850.0, 205.0
PUNCH_MM, BEHIND_MM = 150.0, 100.0
BUSHINGS = (Station.Kind.REAR_BUSHING, Station.Kind.FRONT_BUSHING)


@dataclass(frozen=True, slots=True)
class Site:
    """A machine, its stations in order, their adjusters by the station's id, and how they move it."""

    machine: Machine
    stations: tuple[Station, ...]
    adjusters: dict[int, list[Adjuster]]
    bodies: dict[int, Mount]
    places: Places

    def nose_z_mm(self, station: Station, beyond_mm: float) -> float:
        """Return where the ram's nose is while a station is swept: just past it, or full forward."""
        return min(float(self.machine.overhang_mm or 0.0), reference_z_mm(station) + beyond_mm)

    def droop_um(self, station: Station, beyond_mm: float) -> float:
        """Return how far the ram hangs at a station while it is swept there."""
        nose, z = max(self.nose_z_mm(station, beyond_mm), 0.0), reference_z_mm(station)
        return -float(droop.hang(ram_of(self.machine), [nose], [z]).deflection_um[0, 0])


def ram_of(machine: Machine) -> droop.Ram:
    """Return the machine's ram as a plain steel tube with the punch at its nose."""
    overhang, span = float(machine.overhang_mm or 0.0), float(machine.bushing_span_mm or 0.0)
    tube = droop.Section(
        overhang + span + BEHIND_MM,
        float(machine.ram_outside_mm or 0.0),
        float(machine.ram_bore_mm or 0.0),
        STEEL_KG_PER_M3,
        STEEL_GPA,
    )
    play = float(machine.bushing_clearance_um or 0.0)
    punch = droop.Mass("the punch", float(machine.punch_mass_kg or 0.0), 0.0, PUNCH_MM)
    return droop.Ram((tube,), (punch,), droop.Bushing(-span, play), droop.Bushing(0.0, play))


def sites(machines: Sequence[Machine], bushing_share: float) -> dict[str, Site]:
    """Read the stations and adjusters of some machines, in three queries; by the machine's name."""
    rows = Adjuster.objects.filter(station__machine__in=machines).order_by("station", "order", "pk")
    adjusters: dict[int, list[Adjuster]] = defaultdict(list)
    for row in rows.select_related("stock").prefetch_related("stock__thicknesses"):
        adjusters[row.station_id].append(row)
    stations: dict[int, list[Station]] = defaultdict(list)
    for station in Station.objects.filter(machine__in=machines).order_by("machine", "order", "pk"):
        stations[station.machine_id].append(station)
    return {one.name: _site(one, stations[one.pk], adjusters, bushing_share) for one in machines}


def _site(machine: Machine, stations: list[Station], adjusters: dict[int, list[Adjuster]], bushing: float) -> Site:
    return Site(
        machine=machine,
        stations=tuple(stations),
        adjusters={station.pk: adjusters[station.pk] for station in stations},
        bodies={
            station.pk: mount([adjuster_of(row) for row in adjusters[station.pk]], reference_z_mm(station))
            for station in stations
        },
        places=places_of(stations, bushing),
    )


def places_of(stations: Sequence[Station], bushing_share: float) -> Places:
    """Return the stations as the model takes them."""
    tilts = [station.tilt_limit_mm_per_m or 0.0 for station in stations]
    offsets = [station.limit_um for station in stations]
    seats = [
        (number, station.seat_z_mm(seat) - reference_z_mm(station), station.limit_um)
        for number, station in enumerate(stations)
        for seat in station.seats
    ]
    return Places(
        names=tuple(station.name for station in stations),
        limits=np.array([offsets, offsets, tilts, tilts], dtype=np.float64).T,
        seats=np.array(seats, dtype=np.float64).reshape(-1, 3),
        share=np.array([bushing_share if station.kind in BUSHINGS else 1.0 for station in stations]),
    )
