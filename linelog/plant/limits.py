"""Which limit holds at a station: its own, or the narrowest rule that matches can, tools and set speed."""

from __future__ import annotations

import copy
import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Q

from linelog.plant.ironing import schedule_of
from linelog.plant.models import Fitting, LimitRule, Machine, Plant, Station, ToolingSet

FIGURES = ("limit_um", "tilt_limit_mm_per_m", "wall_to_um", "height_from_mm", "speed_from_spm")


@dataclass(frozen=True, slots=True)
class Can:
    """What a tooling set makes: mid wall in um and wall height in mm, None where it is not known."""

    wall_um: float | None = None
    height_mm: float | None = None


def can_of(tooling_set: ToolingSet | None, plant: Plant) -> Can:
    """Return the can that a set makes."""
    if tooling_set is None:
        return Can()
    made = schedule_of(tooling_set, plant, list(tooling_set.parts.all())).made
    return Can(made.mid[-1].wall_out_um, made.wall_height_mm) if made and made.mid else Can()


def fitted_on(machines: Iterable[int], at: dt.datetime) -> dict[int, ToolingSet]:
    """Return the tooling set that was on each machine at a time."""
    on = Q(fitted_at__lte=at) & (Q(removed_at__isnull=True) | Q(removed_at__gt=at))
    rows = Fitting.objects.filter(on, machine__in=list(machines)).select_related("tooling_set")
    return {row.machine_id: row.tooling_set for row in rows.order_by("fitted_at")}


def under_rules(
    stations: Iterable[Station],
    plant: Plant,
    at: dt.datetime,
    on: dt.date,
    sets: Mapping[int, ToolingSet] | None = None,
) -> list[Station]:
    """Return the stations with the limits that hold on a day: copies where a rule narrows them, never to be saved.

    `sets` names the tooling set of a machine where that is known better than by its fittings. One query where the
    plant has no rule.
    """
    given = list(stations)
    day = Q(from_on__lte=on) & (Q(until_on__isnull=True) | Q(until_on__gte=on))
    rules = list(LimitRule.objects.filter(day, plant=plant).select_related("tooling_set").order_by("pk"))
    if not rules:
        return given
    ids = {station.machine_id for station in given}
    mounted = fitted_on(ids, at) | dict(sets or {})
    machines = Machine.objects.in_bulk(ids)
    cans = {pk: can_of(mounted.get(pk), plant) for pk in ids}
    return [
        _narrowed(
            station,
            [
                rule
                for rule in rules
                if _matches(rule, station, machines[station.machine_id], mounted, cans[station.machine_id])
            ],
        )
        for station in given
    ]


def _matches(
    rule: LimitRule, station: Station, machine: Machine, mounted: Mapping[int, ToolingSet], can: Can
) -> bool:
    """Whether every condition that the rule names is met; what is not known meets none."""
    tools = mounted.get(machine.pk)
    met = [
        rule.kind == station.kind,
        rule.machine_id in (None, machine.pk),
        rule.tooling_set_id is None or (tools is not None and tools.pk == rule.tooling_set_id),
        rule.wall_to_um is None or (can.wall_um is not None and can.wall_um <= rule.wall_to_um),
        rule.height_from_mm is None or (can.height_mm is not None and can.height_mm >= rule.height_from_mm),
        rule.speed_from_spm is None or (machine.speed_spm is not None and machine.speed_spm >= rule.speed_from_spm),
    ]
    return all(met)


def _narrowed(station: Station, rules: Iterable[LimitRule]) -> Station:
    """Return the station under the narrowest rule, or as it is where none is narrower than its own limit."""
    narrowest = min(rules, key=lambda rule: rule.limit_um, default=None)
    if narrowest is None or narrowest.limit_um >= station.limit_um:
        return station
    held = copy.copy(station)
    held.limit_um = narrowest.limit_um
    tilts = [tilt for tilt in (station.tilt_limit_mm_per_m, narrowest.tilt_limit_mm_per_m) if tilt is not None]
    held.tilt_limit_mm_per_m = min(tilts, default=None)
    held.limit_rule = rule_facts(narrowest) | {"own_limit_um": station.limit_um}
    return held


def rule_facts(rule: LimitRule) -> dict[str, Any]:
    """Return a rule as it is kept with a result: its number and the figures of that day."""
    facts: dict[str, Any] = {name: getattr(rule, name) for name in FIGURES if getattr(rule, name) is not None}
    if rule.tooling_set is not None:
        facts["tooling_set"] = rule.tooling_set.name
    return {"rule": rule.pk, "from_on": rule.from_on.isoformat(), **facts}
