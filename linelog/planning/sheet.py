"""The sheet for a visit, to take to the machine: a PDF set by typst.

Everything typed travels as data (a JSON string the document reads), never as markup, so that no name can become a
command of the typesetter.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typst
from django.conf import settings

from linelog.alignment.hanging import positions_read
from linelog.alignment.results.captions import stands_words
from linelog.alignment.results.static_target import StaticTarget, target_at, target_words
from linelog.alignment.running import knowledge_of
from linelog.calc.readings import View
from linelog.calc.units import Unit, tir_from_offset
from linelog.planning.feed import CAUTION
from linelog.planning.models import PlannedVisit
from linelog.plant.lockout import STANDARDS, LockoutWords, words_of
from linelog.plant.models import Fitting, Machine, Station
from linelog.production.days import zone
from linelog.trends import words
from linelog.trends.state.outlook import MachineState
from linelog.web import units

TEMPLATE = Path(settings.BASE_DIR) / "templates" / "planning" / "sheet.typ"
CAUTIONS = (
    "Bar over by hand only, with people clear. Never reach in while it cycles.",
    "Sharp cans and slivers, hot punch, slippery coolant, noise.",
    "Indicator, bar and fittings out and counted before restart.",
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the sheet tells: the machine with its outlook, the open entry of the plan, where to leave each station."""

    outlook: MachineState
    entry: PlannedVisit | None
    stations: tuple[Station, ...]
    targets: dict[int, tuple[StaticTarget, ...]]
    tooling: str
    made: str


def read(outlook: MachineState, entry: PlannedVisit | None, made: str, at: dt.datetime) -> Sheet:
    """Read what the sheet tells."""
    machine = outlook.machine
    stations = tuple(machine.stations.filter(is_active=True).order_by("order", "pk"))
    fitted = Fitting.objects.filter(machine=machine, removed_at__isnull=True).select_related("tooling_set").first()
    targets = _targets(machine, stations, at)
    tooling = str(fitted.tooling_set) if fitted else "not logged"
    return Sheet(outlook, entry, stations, targets, tooling, made)


def pdf_of(sheet: Sheet, unit: Unit) -> bytes:
    """Return the sheet as a PDF."""
    made: bytes = typst.compile(str(TEMPLATE), format="pdf", sys_inputs=_data(sheet, unit), ignore_system_fonts=True)
    return made


def pages_of(sheet: Sheet, unit: Unit) -> list[bytes]:
    """Return its pages as pictures, for whoever wants to look at them."""
    pages: Any = typst.compile(
        str(TEMPLATE), format="png", ppi=80.0, sys_inputs=_data(sheet, unit), ignore_system_fonts=True
    )
    return pages if isinstance(pages, list) else [pages]


def _data(sheet: Sheet, unit: Unit) -> dict[str, str]:
    return {"data": json.dumps(content(sheet, unit), ensure_ascii=False)}


def content(sheet: Sheet, unit: Unit) -> dict[str, Any]:
    """Return everything on the sheet as plain text and lists."""
    machine, outlook = sheet.outlook.machine, sheet.outlook
    return {
        "machine": str(machine),
        "line": str(machine.line),
        "plant": str(machine.line.plant),
        "invented": machine.line.plant.is_invented,
        "when": _when(sheet.entry, zone(machine.line.plant)),
        "hours": f"{units.show_hours(sheet.entry.hours if sheet.entry else outlook.hours)} h",
        "tooling": sheet.tooling,
        "due": outlook.due.words,
        "reason": outlook.due.why,
        "opens": ", ".join(outlook.opens) or "none foreseen",
        "pays": ", ".join(outlook.pays_from),
        "unit": unit.label,
        "rows": list(_rows(sheet, unit)),
        "faces": list(_faces(sheet.stations, unit)),
        "lockout": lockout_steps(words_of(machine)),
        "standards": STANDARDS,
        "cautions": CAUTIONS,
        "permission": CAUTION,
        "made": sheet.made,
    }


def lockout_steps(words: LockoutWords) -> list[str]:
    """Return the steps of a lockout in the site's words, one a line of the sheet."""
    number = f" {words.number}" if words.number else ""
    return [
        f"Shut down by the site's own procedure{number}, which rules.",
        f"Isolate: {words.isolation_points}",
        "Lock and tag, each person with a lock of their own.",
        f"Release stored energy: {words.stored_energies}",
        f"VERIFY that it is dead: try to start, read the gauges. {words.after_try_out}",
        f"Pinch points: {words.pinch_points}",
    ]


def _when(entry: PlannedVisit | None, where: dt.tzinfo) -> str:
    if entry is None:
        return "not in the plan"
    if not entry.stretches:
        return f"week of {entry.week.isoformat()}, no stop set"
    times = [(one.starts_at.astimezone(where).strftime("%Y-%m-%d %H:%M"), one.hours) for one in entry.stretches]
    if len(times) == 1:
        return times[0][0]
    return "; ".join(f"{begins}, {units.show_hours(hours)} h" for begins, hours in times)


def _rows(sheet: Sheet, unit: Unit) -> Iterable[list[str]]:
    """One row a station: limit (offset and TIR), how it stands, its static target, when it was measured, the risk."""
    known = sorted((one for one in sheet.outlook.places if one.place.is_known), key=lambda one: one.chance or 0.0)
    chances = {one.place.station: one.chance_words for one in known}  # of two seats the likelier
    where = zone(sheet.outlook.machine.line.plant)
    for status in sheet.outlook.stand:
        station, figure = status.station, status.figure
        if station.is_bushing and figure is None:
            continue
        view = View(station.view)
        yield [
            str(station),
            _limit(station, unit),
            f"{status.word}. {stands_words(status, unit, view)}" if figure else "never measured",
            _aims(sheet.targets.get(station.pk, ()), station, unit),
            figure.value.visit_at.astimezone(where).date().isoformat() if figure else "",
            chances.get(station.pk, "not known"),
        ]


def _targets(machine: Machine, stations: Iterable[Station], at: dt.datetime) -> dict[int, tuple[StaticTarget, ...]]:
    """Return the static target of each seat, by station."""
    along = [station for station in stations if not station.is_bushing]
    knowledge, travels = knowledge_of(machine, along), positions_read(machine)
    found = {}
    for station in along:
        read_at = {seat: travels.get((station.pk, seat)) for seat in station.seats}
        aims = [
            target_at(knowledge, station, seat, one.travel_mm if one else None, at) for seat, one in read_at.items()
        ]
        found[station.pk] = tuple(aim for aim in aims if aim is not None)
    return found


def _aims(targets: Iterable[StaticTarget], station: Station, unit: Unit) -> str:
    """Say where to leave each seat of a station."""
    said = []
    for one in targets:
        where = target_words(one, unit, View(station.view))
        said.append(f"{words.SEATS[one.seat]} {where}" if one.seat else where)
    return "; ".join(said) or "not known: measure it running"


def _limit(station: Station, unit: Unit) -> str:
    offset, tir = units.show_um(station.limit_um, unit), units.show_um(tir_from_offset(station.limit_um), unit)
    return f"{offset} (TIR {tir})"


def _faces(stations: Iterable[Station], unit: Unit) -> Iterable[dict[str, str]]:
    """One clock face to write on for each seat, as found and as left."""
    for station in stations:
        for seat in station.seats:
            yield {
                "name": words.place(station, seat),
                "view": station.get_view_display().lower(),
                "target": f"limit {units.show_um(station.limit_um, unit)} {unit.label}",
            }


def machine_sheet_name(machine: Machine) -> str:
    """Return a plain name for the file."""
    return f"visit-machine-{machine.pk}.pdf"
