"""The lists that findings are sorted by: places, defect codes, and the symptom table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from linelog.plant.models import DefectCode, FindingPlace, Plant, Symptom
from linelog.plant.services import rows
from linelog.web.errors import Refused

PLACE_TAKEN = "This plant has a place of this name already."
CODE_TAKEN = "This plant has a defect code of this name already."
ROW_TAKEN = "The table points from this code to there already."


def add_place(*, by: Any, at: dt.datetime, plant: Plant, name: str, order: int) -> FindingPlace:
    """Add a place where findings are made."""
    rows.check_mine(by, plant)
    return rows.add(by=by, at=at, row=FindingPlace(plant=plant, name=name, order=order), taken=PLACE_TAKEN)


def change_place(
    *, by: Any, at: dt.datetime, place: FindingPlace, version: int, facts: Mapping[str, Any]
) -> FindingPlace:
    """Rename a place or put it elsewhere in the list."""
    return rows.change(by=by, at=at, row=place, version=version, facts=facts, taken=PLACE_TAKEN)


def remove_place(*, by: Any, at: dt.datetime, place: FindingPlace, version: int) -> None:
    """Remove a place at which nothing was found."""
    sentence = f"Findings are stored under {place}: it can be renamed, but not removed."
    rows.remove(by=by, at=at, row=place, version=version, in_use=sentence)


def add_code(*, by: Any, at: dt.datetime, plant: Plant, code: str, name: str) -> DefectCode:
    """Add a defect code."""
    rows.check_mine(by, plant)
    made = DefectCode(plant=plant, code=code, name=name)
    _code_rules(made)
    return rows.add(by=by, at=at, row=made, taken=CODE_TAKEN)


def change_code(*, by: Any, at: dt.datetime, code: DefectCode, version: int, facts: Mapping[str, Any]) -> DefectCode:
    """Change a defect code or its name."""
    return rows.change(by=by, at=at, row=code, version=version, facts=facts, taken=CODE_TAKEN, rules=_code_rules)


def _code_rules(code: DefectCode) -> None:
    """Codes that differ only in capitals would be taken for one another."""
    others = DefectCode.objects.filter(plant_id=code.plant_id, code__iexact=code.code)
    if others.exclude(pk=code.pk).exists():
        raise Refused(CODE_TAKEN, field="code")


def remove_code(*, by: Any, at: dt.datetime, code: DefectCode, version: int) -> None:
    """Remove a code under which nothing was found, and its rows of the symptom table."""
    sentence = f"Findings are stored under {code.code}: it can be renamed, but not removed."
    rows.remove(by=by, at=at, row=code, version=version, in_use=sentence)


def add_symptom(*, by: Any, at: dt.datetime, code: DefectCode, facts: Mapping[str, Any]) -> Symptom:
    """Add a row to the symptom table."""
    rows.check_mine(by, code)
    made = Symptom(code=code, **facts)
    _symptom_rules(made)
    return rows.add(by=by, at=at, row=made, taken=ROW_TAKEN)


def change_symptom(*, by: Any, at: dt.datetime, symptom: Symptom, version: int, facts: Mapping[str, Any]) -> Symptom:
    """Change where a row points, or why."""
    return rows.change(by=by, at=at, row=symptom, version=version, facts=facts, taken=ROW_TAKEN, rules=_symptom_rules)


def _symptom_rules(symptom: Symptom) -> None:
    if symptom.other and (symptom.station_kind or symptom.aspect):
        raise Refused("Choose a station or another cause, not both: two rows can say both.", field="other")
    if not symptom.other and not symptom.station_kind:
        raise Refused("Choose a station, or another cause.", field="station_kind")
    if symptom.station_kind and not symptom.aspect:
        raise Refused("Say how the station would be off.", field="aspect")
    same = Symptom.objects.filter(
        code_id=symptom.code_id, station_kind=symptom.station_kind, aspect=symptom.aspect, other=symptom.other
    )
    if same.exclude(pk=symptom.pk).exists():
        raise Refused(ROW_TAKEN, field="other" if symptom.other else "station_kind")


def remove_symptom(*, by: Any, at: dt.datetime, symptom: Symptom, version: int) -> None:
    """Take a row out of the symptom table; the history keeps it."""
    rows.remove(by=by, at=at, row=symptom, version=version, in_use="This row is in use.")
