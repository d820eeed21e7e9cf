"""Put down what a plant, or a machine, says about its lockouts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from linelog.plant.models import LockoutProcedure, Machine, Plant
from linelog.plant.services import rows
from linelog.web.errors import Conflict


def put_procedure(
    *, by: Any, at: datetime, plant: Plant, machine: Machine | None, version: int, facts: Mapping[str, Any]
) -> LockoutProcedure:
    """Store the lockout words and times of a plant, or of one of its machines; `version` 0 where there were none."""
    rows.check_mine(by, plant)
    there = LockoutProcedure.objects.filter(plant=plant, machine=machine).first()
    if there is None:
        if version:
            raise Conflict("Somebody else took these away meanwhile: look again.")
        row = LockoutProcedure(plant=plant, machine=machine, **facts)
        return rows.add(by=by, at=at, row=row, taken="Somebody else put these down meanwhile: look again.")
    return rows.change(by=by, at=at, row=there, version=version, facts=facts)
