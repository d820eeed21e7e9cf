"""The marks of a plant, read at once."""

from __future__ import annotations

from linelog.plant.models import MarkAssignment
from linelog.production.models import Finding
from linelog.trends.bearing import Bearers, Bearing
from linelog.trends.likely import weighed
from linelog.trends.mark_evidence import Evidence
from linelog.trends.tracing import Asked, Candidate, Traced, trace

COLUMNS = ("mark", "machine_id", "machine__name", "machine__line__name", "starts_on", "ends_on")


def bearers_of(plant_id: int) -> Bearers:
    """Return all marks of a plant, in one query."""
    rows = MarkAssignment.objects.filter(machine__line__plant=plant_id).order_by("starts_on", "pk")
    return Bearers(Bearing(*row) for row in rows.values_list(*COLUMNS))


def bearers_by_plant(plant_ids: set[int]) -> dict[int, Bearers]:
    """Return the marks of several plants, in one query."""
    found: dict[int, list[Bearing]] = {plant_id: [] for plant_id in plant_ids}
    rows = MarkAssignment.objects.filter(machine__line__plant__in=plant_ids).order_by("starts_on", "pk")
    for plant_id, *row in rows.values_list("machine__line__plant_id", *COLUMNS):
        found[plant_id].append(Bearing(*row))
    return {plant_id: Bearers(rows) for plant_id, rows in found.items()}


def asked_of(finding: Finding) -> Asked:
    """Return what a finding (with its machine and line) asks of the marks."""
    machine = finding.machine
    given = Candidate(machine.pk, machine.name, machine.line.name, None) if machine else None
    return Asked(
        mark=finding.mark,
        day=finding.made_on,
        machine=given,
        code_id=finding.code_id,
        pk=finding.pk or 0,
        day_is_guess=finding.made_by == Finding.MadeBy.FOUND,
    )


def traced(finding: Finding, bearers: Bearers, evidence: Evidence | None = None) -> Traced:
    """Lead a finding to its machine; with evidence, weigh it against every other that it may be."""
    asked = asked_of(finding)
    found = trace(asked, bearers)
    return found if evidence is None else weighed(asked, found, bearers, evidence)
