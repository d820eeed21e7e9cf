"""What the simulation must know of a stored machine, read once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from django.db.models import prefetch_related_objects
from numpy.typing import NDArray

from linelog.calc import droop
from linelog.calc.adjust import Mount, mount
from linelog.demo.model import Places
from linelog.plant.adjusting import adjuster_of, reference_z_mm
from linelog.plant.models import Adjuster, Machine, Station
from linelog.plant.ram import HangingRam, ram_record

Floats = NDArray[np.float64]
STEP_MM = 5.0  # beyond a station's seats, for the slope of the ram there


@dataclass(frozen=True, slots=True)
class Site:
    """A machine, its stations in order, their adjusters by the station's id, and how they move it."""

    machine: Machine
    stations: tuple[Station, ...]
    adjusters: dict[int, list[Adjuster]]
    bodies: dict[int, Mount]
    places: Places
    hanging: HangingRam

    def nose_z_mm(self, station: Station, beyond_mm: float) -> float:
        """Return where the ram's nose is while a station is swept: just past it, or full forward."""
        return min(float(self.machine.overhang_mm or 0.0), reference_z_mm(station) + beyond_mm)

    def droop_um(self, station: Station, beyond_mm: float, worn_um: float = 0.0) -> float:
        """Return how far the ram hangs at a station while it is swept there, in bushings worn so much wider."""
        return self._hangs_um(station, None, beyond_mm, worn_um)

    def _hangs_um(self, station: Station, z_mm: float | None, beyond_mm: float, worn_um: float = 0.0) -> float:
        nose, ram = max(self.nose_z_mm(station, beyond_mm), 0.0), self.hanging.ram
        z = reference_z_mm(station) if z_mm is None else z_mm
        rear, front = (
            replace(bushing, clearance_um=bushing.clearance_um + worn_um) for bushing in (ram.rear, ram.front)
        )
        return -float(droop.hang(replace(ram, rear=rear, front=front), [nose], [z]).deflection_um[0, 0])

    def raised(self, beyond_mm: float) -> Floats:
        """Return how the hanging ram sees stations that are true to the running one, (n, 4): higher, and leaning."""
        seen = np.zeros((len(self.stations), 4))
        for number, station in enumerate(self.stations):
            if not station.is_bushing:
                seats = [station.seat_z_mm(seat) for seat in station.seats]
                ends = (min(seats) - STEP_MM, max(seats) + STEP_MM)
                low, middle, high = (self._hangs_um(station, z, beyond_mm) for z in (ends[0], None, ends[1]))
                seen[number, 1::2] = middle, (high - low) / (ends[1] - ends[0])
        return seen


def sites(machines: Sequence[Machine], bushing_share: float) -> dict[str, Site]:
    """Read the stations, adjusters and rams of some machines, in four queries; by the machine's name."""
    rows = Adjuster.objects.filter(station__machine__in=machines).order_by("station", "order", "pk")
    adjusters: dict[int, list[Adjuster]] = defaultdict(list)
    for row in rows.select_related("stock").prefetch_related("stock__thicknesses"):
        adjusters[row.station_id].append(row)
    stations: dict[int, list[Station]] = defaultdict(list)
    for station in Station.objects.filter(machine__in=machines).order_by("machine", "order", "pk"):
        stations[station.machine_id].append(station)
    prefetch_related_objects(list(machines), "ram_sections")
    return {one.name: _site(one, stations[one.pk], adjusters, bushing_share) for one in machines}


def _site(machine: Machine, stations: list[Station], adjusters: dict[int, list[Adjuster]], bushing: float) -> Site:
    ram = ram_record(machine, list(machine.ram_sections.all()))
    if ram.hanging is None:
        raise ValueError(f"{machine}: {ram.problem or ram.lacking}")
    return Site(
        hanging=ram.hanging,
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
        share=np.array([bushing_share if station.is_bushing else 1.0 for station in stations]),
    )
