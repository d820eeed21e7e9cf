"""Invented wall samples: the wall follows the tool pack's true running offset by a ratio, as a gauge reads it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.calc.units import Unit, from_um
from linelog.demo.scenario import MachinePlan, Scenario
from linelog.demo.site import Site
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Person, Plant, Station, ToolingSet, ToolPart
from linelog.production.models import WallReading, WallRing, WallSample
from linelog.production.walls import Can, Reading, Ring, compute, levels_of, ring_values, tilt_values

Floats = NDArray[np.float64]


@dataclass(slots=True)
class Taken:
    """A sample and what hangs on it, unsaved."""

    sample: WallSample
    rings: list[WallRing]
    readings: list[WallReading]


class Sampler:
    """Takes cans off one machine; its numbers are its own, so that the rest of the history stays as it is."""

    def __init__(self, plan: Scenario, plant: Plant, machine: MachinePlan, site: Site, by: Person) -> None:
        self.plan, self.plant, self.machine, self.site, self.by = plan.wall, plant, machine, site, by
        self.rng = np.random.default_rng([machine.seed, 2])
        kinds = [station.kind for station in site.stations]
        self.pack = kinds.index(Station.Kind.TOOL_PACK)
        station = site.stations[self.pack]
        self.to_front_mm = station.z_mm - reference_z_mm(station)
        self.days, self.beyond_mm = plan.days, plan.dial.ram_beyond_mm
        self.due = self.rng.uniform(2.0, self.plan.every_days)

    def is_due(self, day: int) -> bool:
        """Say whether a can is taken today, and plan the next."""
        if day < self.due:
            return False
        self.due = day + self.plan.every_days * self.rng.uniform(0.7, 1.3)
        return True

    def take(self, day: int, at: dt.datetime, state: Floats, tools: ToolingSet, gap_um: float) -> Taken:
        """Take a can and read it at one height or two; `state` (n, 4) is where the stations lie."""
        worn = self.machine.worn_um(day / self.days)
        droop_um = self.site.droop_um(self.site.stations[self.pack], self.beyond_mm, worn)
        offset = state[self.pack, :2] + state[self.pack, 2:] * self.to_front_mm - np.array([0.0, droop_um])
        thick = self.plan.ratio * offset + self._off(day)
        heights = [(self.plan.low_mm, gap_um + self.plan.springs_um, thick)]
        if self.rng.random() < self.plan.two_heights_share:
            rise = (self.plan.high_mm - self.plan.low_mm) * self.plan.ratio * state[self.pack, 2:]
            heights.append((self.plan.high_mm, gap_um + self.plan.top_more_um, thick + rise))
        can = Can(
            machine=self.site.machine,
            taken_at=at,
            view=Station.View.CRANK,
            step_um=self.plan.step_um,
            unit=Unit.MM.value,
            rings=tuple(self._ring(*height) for height in heights),
        )
        return self._worked_out(can, tools)

    def _off(self, day: int) -> Floats:
        """Return what makes the wall uneven that is no tool pack."""
        off = self.machine.wall_off
        if off is None or day < off.from_day:
            return np.zeros(2)
        turn = np.radians(off.toward_deg)
        return np.array([np.sin(turn), np.cos(turn)]) * off.um

    def _ring(self, height_mm: float, mean_um: float, thick: Floats) -> Ring:
        angles = np.arange(0.0, 360.0, 360.0 / self.plan.points)
        turn = np.radians(angles)
        exact = mean_um + thick[0] * np.sin(turn) + thick[1] * np.cos(turn)
        read = exact + self.rng.normal(0.0, self.plan.noise_um, len(angles))
        step = self.plan.step_um
        return Ring(
            height_mm, tuple(_reading(angle, step * round(um / step)) for angle, um in zip(angles, read, strict=True))
        )

    def _worked_out(self, can: Can, tools: ToolingSet) -> Taken:
        computed, levels = compute(can, self.plant), levels_of(self.plant)
        sample = WallSample(
            machine=can.machine,
            taken_at=can.taken_at,
            tooling_set=tools,
            view=can.view,
            step_um=can.step_um,
            unit=can.unit,
            by=self.by,
            at=can.taken_at + dt.timedelta(minutes=40),
            **tilt_values(computed.tilt),
        )
        taken = Taken(sample, [], [])
        for ring, wall in zip(can.rings, computed.walls, strict=True):
            row = WallRing(sample=sample, height_mm=ring.height_mm, **ring_values(wall, levels))
            taken.rings.append(row)
            taken.readings += [
                WallReading(ring=row, angle_deg=a, value_um=um, typed=typed) for a, um, typed in ring.readings
            ]
        return taken


def _reading(angle: float, um: float) -> Reading:
    return float(angle), float(um), f"{from_um(um, Unit.MM):.3f}"


def gap_um(tools: ToolingSet) -> float:
    """Return the gap of a set's last ironing die."""
    rows = ToolPart.objects.filter(tooling_set=tools, diameter_mm__isnull=False).values_list("kind", "diameter_mm")
    size = {kind: diameter or 0.0 for kind, diameter in rows}
    return 500.0 * (size[ToolPart.Kind.IRONING_DIE_3] - size[ToolPart.Kind.PUNCH])
