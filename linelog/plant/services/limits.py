"""Rules that narrow limits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from linelog.plant.models import LimitRule, Plant
from linelog.plant.services import rows
from linelog.web.errors import Refused

TAKEN = "There is such a rule already."


def add_rule(*, by: Any, at: dt.datetime, plant: Plant, facts: Mapping[str, Any]) -> LimitRule:
    """Add a rule."""
    rows.check_mine(by, plant)
    rule = LimitRule(plant=plant, **facts)
    _rules(rule)
    return rows.add(by=by, at=at, row=rule, taken=TAKEN)


def change_rule(*, by: Any, at: dt.datetime, rule: LimitRule, version: int, facts: Mapping[str, Any]) -> LimitRule:
    """Change a rule; results keep the limit of their day."""
    return rows.change(by=by, at=at, row=rule, version=version, facts=facts, taken=TAKEN, rules=_rules)


def remove_rule(*, by: Any, at: dt.datetime, rule: LimitRule, version: int) -> None:
    """Remove a rule; results that it gave a limit keep that and its figures."""
    rows.remove(by=by, at=at, row=rule, version=version, in_use="")


def _rules(rule: LimitRule) -> None:
    if rule.until_on is not None and rule.until_on < rule.from_on:
        raise Refused("The rule ends before it begins.", field="until_on")
    if rule.machine is not None and rule.machine.line.plant_id != rule.plant_id:
        raise Refused("This machine is not of this plant.", field="machine")
    if rule.tooling_set is not None and rule.tooling_set.plant_id != rule.plant_id:
        raise Refused("This set is not of this plant.", field="tooling_set")
