"""The ram of a machine as it is set up: where it runs, its sections, what it carries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from django.db import transaction

from linelog.calc.droop import Section
from linelog.plant.models import Machine, RamSection
from linelog.plant.ram import ram_record
from linelog.plant.services import rows
from linelog.web import audit, followers
from linelog.web.errors import Refused

RAM = (
    *("bushing_span_mm", "overhang_mm", "rear_overhang_mm"),
    *("ram_outside_mm", "ram_bore_mm", "ram_density_kg_per_m3", "ram_modulus_gpa"),
    *("punch_mass_kg", "punch_length_mm", "tip_mass_kg"),
    *("bushing_clearance_um", "rear_clearance_um", "film_n_per_um"),
    *("clearance_within_um", "bending_within_percent"),
)


def change_ram(
    *, by: Any, at: datetime, machine: Machine, version: int, facts: Mapping[str, Any], sections: Sequence[Section]
) -> Machine:
    """Change a ram and all its sections together; what gives no beam is refused at its field."""
    made = [RamSection(machine=machine, order=place, **asdict(one)) for place, one in enumerate(sections, start=1)]

    def rules(changed: Machine) -> None:
        check_bore(changed)
        check_ram(changed, made)

    with transaction.atomic():
        fresh = rows.change(by=by, at=at, row=machine, version=version, facts=facts, rules=rules)
        before = [_plain(row) for row in fresh.ram_sections.all()]
        after = [_plain(row) for row in made]
        if before != after:
            fresh.ram_sections.all().delete()
            RamSection.objects.bulk_create(made)
            audit.record(
                by=by,
                action="changed ram sections",
                obj=fresh,
                at=at,
                before={"sections": before},
                after={"sections": after},
                plant_id=fresh.line.plant_id,
            )
        followers.tell(followers.RUNNING, plant_id=fresh.line.plant_id, machines=[fresh.pk], at=at)
    return fresh


def _plain(row: RamSection) -> dict[str, float]:
    return {name: getattr(row, name) for name in Section.__dataclass_fields__}


def check_bore(machine: Machine) -> None:
    """Refuse a bore that leaves no wall, also where too little else is known for a beam."""
    outside, bore = machine.ram_outside_mm, machine.ram_bore_mm
    if outside is not None and bore is not None and bore >= outside:
        raise Refused(f"The bore must be smaller than the ram's outside of {outside:g} mm.", field="ram_bore_mm")


def check_ram(machine: Machine, sections: Sequence[RamSection], field: str | None = None) -> None:
    """Refuse a ram that is no beam at some point of its stroke; one of which too little is known is let be.

    `field` is where the sentence stands on a form that does not show the ram's own fields.
    """
    found = ram_record(machine, sections)
    if found.problem:
        raise Refused(found.problem, field=field or found.field)


def copy_sections(like: Machine, machine: Machine) -> None:
    """Give a new machine the ram sections of another one (inside the caller's transaction)."""
    RamSection.objects.bulk_create(
        RamSection(machine=machine, order=row.order, **_plain(row)) for row in like.ram_sections.all()
    )
