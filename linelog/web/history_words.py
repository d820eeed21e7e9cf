"""Put what the history keeps as stored columns into words: names of rows for their ids, labels, local times.

The history has no foreign keys, so that it outlives what it speaks of: a row that is gone is named by its number.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, tzinfo
from functools import cache
from typing import Any

from django.apps import apps
from django.db import models
from django.utils.dateparse import parse_datetime

from linelog.calc.units import Unit, from_um
from linelog.web.models import AuditEvent
from linelog.web.units import MINUS, plain_text

Field = models.Field[Any, Any]
UNITS = (
    *(("_mm_per_m", "mm/m"), ("_kg_per_m3", "kg/m³"), ("_n_per_um", "N/µm"), ("_um_per_unit", "µm a unit")),
    *(("_per_million", "per million"), ("_mm", "mm"), ("_deg", "°"), ("_kg", "kg"), ("_spm", "strokes/min")),
    *(("_percent", "%"), ("_gpa", "GPa"), ("_minutes", "min"), ("_hours", "h"), ("_days", "days"), ("_c", "°C")),
)
#: Columns whose names alone say too little.
LABELS = {
    "z_mm": "place along the ram (mm)",
    "at": "when",
    "uid": "number in the calendar",
    "sha256": "digest of the file",
    "n_eff": "effective number",
    "is_active": "in use",
    "is_invented": "invented",
    "is_staff": "may open the administrator's tables",
    "is_superuser": "may do everything there",
    "by_cause": "spoiled by cause",
}
LENGTHS = {"tir_um": "full indicator reading", "x_um": "offset across", "y_um": "offset up"}


@cache
def _models() -> dict[str, type[models.Model]]:
    """Return the models by the name that an event keeps; no two apps share one (a test says so)."""
    return {model._meta.model_name or "": model for model in apps.get_models()}


@cache
def fields_of(object_type: str) -> dict[str, Field]:
    """Return the columns of a kind of record by the name they are stored under."""
    model = _models().get(object_type)
    return {field.attname: field for field in model._meta.concrete_fields} if model else {}


def label(name: str, unit: Unit) -> str:
    """Name a stored column as a person would: 'limit_um' is 'limit (mm)' to who reads mm."""
    if name in LABELS:
        return LABELS[name]
    if name.endswith("_um"):
        return f"{LENGTHS.get(name, name.removesuffix('_um').replace('_', ' '))} ({unit.label})"
    for ending, told in UNITS:
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')} ({told})"
    return name.removesuffix("_id").removeprefix("is_").replace("_", " ")


class Names:
    """The names of the rows that some events speak of by their ids: one question for each kind of row."""

    def __init__(self, events: Iterable[AuditEvent]) -> None:
        wanted: dict[type[models.Model], set[Any]] = defaultdict(set)
        for event in events:
            fields = fields_of(event.object_type)
            for side in (event.before or {}, event.after or {}):
                for name, value in side.items():
                    field = fields.get(name)
                    if field is not None and field.related_model and isinstance(value, int):
                        wanted[field.related_model].add(value)
        self._names = {model: self._read(model, keys) for model, keys in wanted.items()}

    @staticmethod
    def _read(model: type[models.Model], keys: set[Any]) -> dict[str, str]:
        rows = model._default_manager.select_related().filter(pk__in=keys)
        return {str(row.pk): str(row) for row in rows}

    def of(self, field: Field, value: Any) -> str:
        """Return the name of a row; its number where it is gone."""
        known: Mapping[str, str] = self._names.get(field.related_model or models.Model, {})
        return known.get(str(value), f"no. {value}, taken out since")


def shown(name: str, value: Any, field: Field | None, names: Names, unit: Unit, zone: tzinfo) -> Any:
    """Return a stored value as it is read: in the reader's unit and the plant's zone, choices in words."""
    if value is None or value == "" or value == [] or value == {}:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(name, value, field, names, unit)
    if isinstance(value, list):
        return ", ".join(str(shown(name, one, None, names, unit, zone)) for one in value)
    if isinstance(value, dict):
        return "; ".join(
            f"{label(key, unit)}: {shown(key, one, None, names, unit, zone)}" for key, one in value.items()
        )
    if field is not None and field.related_model:
        return names.of(field, value)
    chosen = dict(field.flatchoices).get(value) if field is not None and field.choices else None
    return chosen or _moment(str(value), zone)


def _number(name: str, value: float, field: Field | None, names: Names, unit: Unit) -> str:
    if field is not None and field.related_model:
        return names.of(field, value)
    chosen = dict(field.flatchoices).get(value) if field is not None and field.choices else None
    if chosen is not None:
        return str(chosen)
    if isinstance(value, int) and not name.endswith("_um"):
        return str(value).replace("-", MINUS)
    return plain_text(from_um(value, unit) if name.endswith("_um") else value).replace("-", MINUS)


def _moment(text: str, zone: tzinfo) -> str:
    """Return a stored time in the plant's zone; any other text as it is."""
    try:
        found = parse_datetime(text) if len(text) >= 19 and text[10:11] == "T" else None
    except ValueError:
        found = None
    return text if found is None else f"{local(found, zone):%Y-%m-%d %H:%M:%S}"


def local(at: datetime, zone: tzinfo) -> datetime:
    """Return a time as the plant's wall clock shows it."""
    return (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(zone)
