"""A machine's ram as the beam sums take it: its sections, or one plain tube where none are written down.

What is not written down and has a harmless stand-in (no mass, no clearance, nothing behind the rear bushing) takes
it, and `assumed` says so; what has none is named in `lacking`, and there is no beam.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from linelog.calc import droop
from linelog.calc.errors import CalcError
from linelog.calc.uncertainty import type_b
from linelog.plant.models import Machine, RamSection

NEEDED = {
    "bushing_span_mm": "the span between the bushings",
    "overhang_mm": "the overhang at full forward",
    "stroke_mm": "the stroke",
}
OF_A_TUBE = {"ram_outside_mm": "the ram's outside diameter", "ram_bore_mm": "the ram's bore (0 for a solid one)"}
#: What the sums call a field, and what the set-up calls it.
FIELDS = {
    "masses": "punch_length_mm",
    "bushings": "bushing_span_mm",
    "length_mm": "bushing_span_mm",
    "outside_mm": "ram_outside_mm",
    "bore_mm": "ram_bore_mm",
    "density_kg_per_m3": "ram_density_kg_per_m3",
    "modulus_gpa": "ram_modulus_gpa",
    "kg": "punch_mass_kg",
    "clearance_um": "bushing_clearance_um",
}


@dataclass(frozen=True, slots=True)
class HangingRam:
    """A ram with its stroke, mm, and how well it is known: standard uncertainties, of bending as a share."""

    ram: droop.Ram
    stroke_mm: float
    forward_mm: float  # z of the nose, full forward
    clearance_u_um: float
    bending_u: float

    @property
    def back_mm(self) -> float:
        """Where the nose is at full back, z."""
        return self.forward_mm - self.stroke_mm

    def nose_z_mm(self, travel_mm: float) -> float:
        """Return where the nose is after so much travel from full back, z."""
        return self.back_mm + travel_mm

    def travel_mm(self, nose_z_mm: float) -> float:
        """Return the travel from full back that puts the nose at this z."""
        return nose_z_mm - self.back_mm


@dataclass(frozen=True, slots=True)
class Record:
    """What the set-up knows of a ram: the ram; or what is lacking; or what is wrong with it, and at which field."""

    hanging: HangingRam | None = None
    lacking: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    problem: str = ""
    field: str | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """The ram's line at one place: deflection (um, hanging is negative) and slope (mm/m), with standard u of each.

    `tipped_um` is the part of the deflection that the bushings' clearance makes.
    """

    deflection_um: float
    slope_mm_per_m: float
    u_um: float
    u_slope_mm_per_m: float
    tipped_um: float
    on_ram: bool


def ram_record(machine: Machine, sections: Sequence[RamSection]) -> Record:
    """Return the ram that the set-up describes; nothing is raised."""
    needed = NEEDED if sections else {**NEEDED, **OF_A_TUBE}
    lacking = tuple(words for name, words in needed.items() if getattr(machine, name) is None)
    if lacking:
        return Record(lacking=lacking)
    stroke, forward = float(machine.stroke_mm or 0.0), float(machine.overhang_mm or 0.0)
    problem = _does_not_reach(machine, sections, stroke, forward)
    if problem:
        return Record(problem=problem[0], field=problem[1])
    found = HangingRam(
        ram=_ram(machine, sections),
        stroke_mm=stroke,
        forward_mm=forward,
        clearance_u_um=type_b(machine.clearance_within_um),
        bending_u=type_b(machine.bending_within_percent / 100.0),
    )
    try:
        droop.hang(found.ram, [found.back_mm, forward], [0.0])
    except CalcError as error:
        of_sections = bool(sections) and error.field in {"length_mm", "outside_mm", "bore_mm"}
        return Record(problem=error.message, field="sections" if of_sections else FIELDS.get(error.field or ""))
    return Record(found, assumed=_assumed(machine, sections))


def _does_not_reach(
    machine: Machine, sections: Sequence[RamSection], stroke: float, forward: float
) -> tuple[str, str] | None:
    """Say where the ram would leave a bushing, and at which field that is put right."""
    if forward < stroke:
        return (
            f"At full back the nose would be {stroke - forward:g} mm behind the front bushing: the overhang must be "
            f"at least the stroke of {stroke:g} mm.",
            "overhang_mm",
        )
    length, least = sum(section.length_mm for section in sections), forward + float(machine.bushing_span_mm or 0.0)
    if sections and length < least:
        return (
            f"The sections add up to {length:g} mm: at full forward the ram needs {least:g} mm to reach back into "
            "its rear bushing.",
            "sections",
        )
    return None


def _ram(machine: Machine, sections: Sequence[RamSection]) -> droop.Ram:
    span, play = float(machine.bushing_span_mm or 0.0), float(machine.bushing_clearance_um or 0.0)
    rear = machine.rear_clearance_um if machine.rear_clearance_um is not None else play
    masses = (
        droop.Mass("The punch", machine.punch_mass_kg or 0.0, 0.0, machine.punch_length_mm or 0.0),
        droop.Mass("What hangs at the nose", machine.tip_mass_kg or 0.0, 0.0),
    )
    return droop.Ram(
        sections=tuple(map(_section, sections)) or (_tube(machine, span),),
        masses=tuple(mass for mass in masses if mass.kg),
        rear=droop.Bushing(-span, rear, machine.film_n_per_um),
        front=droop.Bushing(0.0, play, machine.film_n_per_um),
    )


def _section(row: RamSection) -> droop.Section:
    return droop.Section(row.length_mm, row.outside_mm, row.bore_mm, row.density_kg_per_m3, row.modulus_gpa)


def _tube(machine: Machine, span_mm: float) -> droop.Section:
    return droop.Section(
        float(machine.overhang_mm or 0.0) + span_mm + float(machine.rear_overhang_mm or 0.0),
        float(machine.ram_outside_mm or 0.0),
        float(machine.ram_bore_mm or 0.0),
        machine.ram_density_kg_per_m3,
        machine.ram_modulus_gpa,
    )


def _assumed(machine: Machine, sections: Sequence[RamSection]) -> tuple[str, ...]:
    stands_in = {
        "punch_mass_kg": "no punch mass is on record: taken as none",
        "bushing_clearance_um": "no bushing clearance is on record: taken as none",
    }
    if not sections:
        stands_in["rear_overhang_mm"] = "no length behind the rear bushing is on record: taken as none"
    return tuple(words for name, words in stands_in.items() if getattr(machine, name) is None)


@lru_cache(maxsize=4096)
def seen_at(hanging: HangingRam, nose_z_mm: float, z_mm: float) -> Seen:
    """Return the ram's line at one place for one position of the nose; kept, since the geometry seldom changes.

    Raises CalcError where the ram would not be in both bushings.
    """
    beside = [z_mm - 1.0, z_mm, z_mm + 1.0]
    found = droop.hang(hanging.ram, [nose_z_mm], beside)
    u = droop.standard_uncertainty_um(found, clearance_u_um=hanging.clearance_u_um, weight_u=hanging.bending_u)
    # How the two bushings' clearances turn the ram, and how bending does: um per mm is mm/m.
    span = hanging.ram.front.z_mm - hanging.ram.rear.z_mm
    turned = math.hypot(*abs(found.side[0])) * hanging.clearance_u_um / 2.0 / span
    bent = (found.bent_um[0, 2] - found.bent_um[0, 0]) / 2.0 * hanging.bending_u
    return Seen(
        deflection_um=float(found.deflection_um[0, 1]),
        slope_mm_per_m=float(found.slope_mm_per_m[0, 1]),
        u_um=float(u[0, 1]),
        u_slope_mm_per_m=math.hypot(turned, bent),
        tipped_um=float(found.tipped_um[0, 1]),
        on_ram=bool(found.on_ram[0, 1]),
    )
