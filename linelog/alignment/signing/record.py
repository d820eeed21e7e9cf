"""The record that a signature stands for: every row that hangs on a visit, to be compared and shown line by line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.core import signing
from django.db.models import Model, QuerySet

from linelog.alignment.captures.queries import HEAVY
from linelog.alignment.models import (
    Amendment,
    Capture,
    MoveMade,
    Photo,
    Reading,
    Result,
    RunningReading,
    Signature,
    StationNote,
    Sweep,
    Visit,
)
from linelog.alignment.moves_made import made_words
from linelog.alignment.words import set_up_words, told
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.web import units, writes

BESIDE = (Amendment, Signature)  # what stands beside the record, not in it
NOT_CONTENT = frozenset({"version", "advised", *HEAVY})
SALT = "linelog.seen"


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the record: a key that stays, a mark of its content, and both in the words of whoever reads."""

    key: str
    mark: str
    what: str
    value: str


@dataclass(frozen=True, slots=True)
class Difference:
    """A row that is not as it was seen; None where it was not there, or is not any more."""

    what: str
    seen: str | None
    now: str | None


def record_of(visit: Visit, unit: Unit) -> list[Line]:
    """Return the record as it stands; also of tables that are added later and hang on a visit."""
    lines = [_line(visit, unit)]
    for rows in _hanging(visit):
        lines += [_line(row, unit) for row in rows]
    return lines


def digest_of(record: list[Line]) -> str:
    """Return one fingerprint of the whole record."""
    return writes.digest(sorted((line.key, line.mark) for line in record))


def sealed(visit: Visit, record: list[Line]) -> str:
    """Return the record as a page carries it: nobody can change it on the way."""
    shown = {line.key: [line.mark, line.what, line.value] for line in record}
    return signing.dumps(shown, salt=f"{SALT}.{visit.pk}", compress=True)


def differences(visit: Visit, seal: str, now: list[Line]) -> list[Difference] | None:
    """Return what has changed since the record was sealed; None where the seal is none of this visit."""
    try:
        seen: dict[str, list[str]] = signing.loads(seal, salt=f"{SALT}.{visit.pk}")
    except signing.BadSignature:
        return None
    there = {line.key: line for line in now}
    found = [
        Difference(line.what, seen[line.key][2] if line.key in seen else None, line.value)
        for line in now
        if line.key not in seen or seen[line.key][0] != line.mark
    ]
    return found + [Difference(what, value, None) for key, (_, what, value) in seen.items() if key not in there]


def _hanging(visit: Visit) -> list[QuerySet[Any]]:
    """Return the rows of every table that hangs on the visit, directly or over one that does."""
    paths: dict[type[Model], str] = {}
    for model, field in _children(Visit):
        paths[model] = field
    for parent, path in list(paths.items()):
        for model, field in _children(parent):
            paths.setdefault(model, f"{field}__{path}")
    found = []
    for model, path in paths.items():
        names = {field.name for field in model._meta.concrete_fields}
        rows: QuerySet[Any] = model._default_manager.filter(**{path: visit}).order_by("pk")
        related = [name for name in ("station", "adjuster", "sweep__station", "by") if name.split("__")[0] in names]
        found.append(rows.select_related(*related).defer(*(name for name in HEAVY if name in names)))
    return found


def _children(model: type[Model]) -> list[tuple[type[Model], str]]:
    return [
        (relation.related_model, relation.field.name)
        for relation in model._meta.related_objects
        if relation.related_model._meta.app_label == "alignment" and relation.related_model not in BESIDE
    ]


def _line(row: Model, unit: Unit) -> Line:
    name = row._meta.model_name or ""
    key = ":".join(str(part) for part in _place(row))
    gone = row.get_deferred_fields() | NOT_CONTENT | ({"at", "id"} if isinstance(row, Result) else set())
    content = {f.attname: str(getattr(row, f.attname)) for f in row._meta.concrete_fields if f.attname not in gone}
    what, value = _words(row, unit)
    return Line(f"{name}:{key}", writes.digest(content)[:16], what, value)


def _place(row: Any) -> tuple[Any, ...]:
    """Return what a row is known by: its place where it has one, so that one typed anew is the same line."""
    if isinstance(row, Reading):
        return row.sweep_id, row.repeat, row.angle_deg, row.is_return
    if isinstance(row, Result):
        return row.station_id, row.stage, row.seat, row.method
    return (row.pk,)


def _words(row: Any, unit: Unit) -> tuple[str, str]:
    say = WORDS.get(type(row))
    if say is not None:
        return say(row, unit)
    return str(row._meta.verbose_name).capitalize(), str(row)


def _swept(sweep: Sweep) -> str:
    parts = [str(sweep.station), sweep.get_stage_display().lower(), sweep.get_kind_display().lower()]
    return ", ".join([*parts, *([sweep.get_seat_display().lower()] if sweep.seat else [])])


def _reading(row: Reading, unit: Unit) -> tuple[str, str]:
    return f"{_swept(row.sweep)}: {row.where}", told(row, unit)


def _result(row: Result, unit: Unit) -> tuple[str, str]:
    size, doubt = units.show_um(row.radial_um, unit), units.show_um(row.expanded_um, unit, with_unit=True)
    seat = f", {row.get_seat_display().lower()}" if row.seat else ""
    what = f"{row.station}, {row.get_stage_display().lower()}{seat}: {row.get_method_display().lower()} offset"
    return what, f"{size} ± {doubt}, {'verdict withheld' if row.withheld else row.verdict}"


def _note(row: StationNote, unit: Unit) -> tuple[str, str]:
    said = (["not touched"] if row.not_touched else []) + ([f"“{row.note}”"] if row.note else [])
    return f"{row.station}: what was said", "; ".join(said) or "nothing"


def _running(row: RunningReading, unit: Unit) -> tuple[str, str]:
    across, up = (
        units.show_um(row.x_um, unit, signed=True),
        units.show_um(row.y_um, unit, signed=True, with_unit=True),
    )
    return f"{row.station}, {row.get_stage_display().lower()}: running value typed", f"across {across}, up {up}"


def _visit(row: Visit, unit: Unit) -> tuple[str, str]:
    state = "running" if row.machine_runs else "stopped"
    more = [
        form.format(value)
        for form, value in (
            ("{} min", row.minutes_in_state),
            ("{:g} strokes/min", row.speed_spm),
            ("oil {:g} °C", row.oil_c),
            ("room {:g} °C", row.room_c),
            ("{}", row.reason_note or None),
            ("“{}”", row.note or None),
        )
        if value is not None
    ]
    return "The visit: reason, conditions, note", ", ".join([row.get_reason_display(), state, *more])


WORDS: dict[type[Model], Callable[[Any, Unit], tuple[str, str]]] = {
    Visit: _visit,
    Sweep: lambda row, unit: (f"{_swept(row)}: how it is made", set_up_words(row, unit)),
    Reading: _reading,
    Result: _result,
    MoveMade: lambda row, unit: (f"{row.station}: move made", made_words(row, unit, View(row.station.view))),
    StationNote: _note,
    RunningReading: _running,
    Photo: lambda row, unit: ("Photo", str(row)),
    Capture: lambda row, unit: (f"Capture, {row.get_stage_display().lower()}", row.name),
}
