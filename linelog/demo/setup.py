"""Plant, shifts, machines, marks, tooling sets and causes of the demonstration, stored before its history."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from linelog.demo import people
from linelog.demo.scenario import MachinePlan, Scenario
from linelog.plant.building import add_template_stations
from linelog.plant.kinds import BODYMAKER_GEOMETRY
from linelog.plant.models import (
    DefectCode,
    FindingPlace,
    Line,
    Machine,
    MarkAssignment,
    Person,
    Plant,
    RamSection,
    Shift,
    Station,
    Symptom,
    ToolingSet,
    ToolPart,
)
from linelog.plant.symptoms import seed
from linelog.production.models import SpoilageCause

SETS_A_MACHINE = 2
PUNCH_MM, TOP_WALL_MM = 65.80, 65.70
CUP_HEIGHT_MM = 52.0
WALLS_MM = (0.212, 0.160, 0.098)  # gap to the punch of each ironing die in turn
# A face of the clamp ring is swept at this radius: nearer the axis no dial could prove the tilt.
DOMER_FACE_MM = 60.0
CLEARANCE_UM = 12.0


@dataclass(frozen=True, slots=True)
class Ground:
    """What the history is laid upon, by name."""

    plant: Plant
    people: dict[str, Person]
    machines: dict[str, Machine]
    sets: dict[str, list[ToolingSet]]
    shifts: list[Shift]


def lay(scenario: Scenario, first: dt.date) -> Ground:
    """Store everything that is not history; `first` is day 0."""
    plant = Plant.objects.create(cup_height_mm=CUP_HEIGHT_MM, is_invented=True, **scenario.plant)
    shifts = Shift.objects.bulk_create(
        Shift(plant=plant, code=shift.code, name=shift.name, starts=shift.starts) for shift in scenario.shifts
    )
    SpoilageCause.objects.bulk_create(
        SpoilageCause(plant=plant, code=cause.code, name=cause.name) for cause in scenario.causes
    )
    seed(plant, places=FindingPlace, codes=DefectCode, symptoms=Symptom)
    lines = {name: Line.objects.create(plant=plant, name=name) for name in scenario.lines}
    machines = {one.name: _machine(one, lines[one.line], first) for one in scenario.machines}
    _marks(scenario, machines, first)
    sets = {one.name: _sets(one, plant, number) for number, one in enumerate(scenario.machines)}
    return Ground(plant, people.add(scenario, plant), machines, sets, list(shifts))


def _machine(plan: MachinePlan, line: Line, first: dt.date) -> Machine:
    geometry = BODYMAKER_GEOMETRY | {"speed_spm": plan.speed_spm, "bushing_clearance_um": CLEARANCE_UM}
    machine = Machine.objects.create(
        line=line,
        name=plan.name,
        serial=f"INV-{plan.seed}",
        in_service_on=first - dt.timedelta(days=900),
        note="An invented machine.",
        moves_for_running=not plan.set_hanging,
        **geometry,
    )
    RamSection.objects.bulk_create(
        RamSection(machine=machine, order=order, length_mm=length, outside_mm=outside, bore_mm=bore)
        for order, (length, outside, bore) in enumerate(plan.ram, start=1)
    )
    add_template_stations(machine)
    stations = Station.objects.filter(machine=machine)
    stations.filter(kind=Station.Kind.DOMER).update(view=Station.View.DOMER, face_radius_mm=DOMER_FACE_MM)
    stations.filter(kind=Station.Kind.STRIPPER).update(view=Station.View.DOMER)
    sleeves = stations.filter(kind=Station.Kind.REDRAW_SLEEVE)
    sleeves.update(surface=Station.Surface.OUTSIDE, face_radius_mm=None)  # this plant's crew does not sweep its face
    return machine


def _marks(scenario: Scenario, machines: dict[str, Machine], first: dt.date) -> None:
    """Give each machine its mark; one that moves belongs to both machines on the day it moves."""
    rows = []
    since = first - dt.timedelta(days=200)
    for plan in scenario.machines:
        moved, machine = plan.moved_mark, machines[plan.name]
        if moved is None or moved.to not in machines or moved.day >= scenario.days:
            rows.append(MarkAssignment(machine=machine, mark=plan.mark, starts_on=since))
            continue
        day = first + dt.timedelta(days=moved.day)
        rows += [
            MarkAssignment(machine=machine, mark=moved.mark, starts_on=since, ends_on=day),
            MarkAssignment(machine=machines[moved.to], mark=moved.mark, starts_on=day),
            MarkAssignment(machine=machine, mark=moved.then, starts_on=day),
        ]
    MarkAssignment.objects.bulk_create(rows)


def _sets(plan: MachinePlan, plant: Plant, number: int) -> list[ToolingSet]:
    rng = np.random.default_rng([plan.seed, 1])
    made = []
    for letter in "AB"[:SETS_A_MACHINE]:
        one = ToolingSet.objects.create(plant=plant, name=f"Set {number + 1}{letter}", note="Invented.")
        ToolPart.objects.bulk_create(_parts(one, f"{plan.mark}{letter}", rng))
        made.append(one)
    return made


def _parts(of: ToolingSet, serial: str, rng: np.random.Generator) -> list[ToolPart]:
    kinds = ToolPart.Kind
    regrinds = int(rng.integers(0, 6))
    parts = [
        ToolPart(
            tooling_set=of,
            kind=kinds.PUNCH,
            serial=f"P-{serial}",
            diameter_mm=PUNCH_MM,
            diameter_new_mm=PUNCH_MM,
            top_wall_diameter_mm=TOP_WALL_MM,
            nose_radius_mm=2.4,
            runout_um=round(float(rng.uniform(1.0, 4.0)), 1),
        )
    ]
    for step, wall in enumerate(WALLS_MM, start=1):
        bore = PUNCH_MM + 2.0 * wall
        parts.append(
            ToolPart(
                tooling_set=of,
                kind=kinds(f"ironing_die_{step}"),
                serial=f"D{step}-{serial}",
                diameter_mm=round(bore + 0.001 * regrinds, 4),
                diameter_new_mm=round(bore, 4),
                land_mm=0.8,
                entry_angle_deg=8.0,
                regrinds=regrinds,
            )
        )
    others = {kinds.REDRAW_DIE: "R", kinds.PILOT: "L", kinds.STRIPPER: "S", kinds.DOMER_DIE: "B"}
    parts += [ToolPart(tooling_set=of, kind=kind, serial=f"{letter}-{serial}") for kind, letter in others.items()]
    return parts
