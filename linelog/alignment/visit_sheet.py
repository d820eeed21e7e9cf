"""The sheet of a visit: all that was read, found, done, left and signed, as plain text for the screen and for paper.

Everything typed travels as data, never as markup. Times are the plant's own, whoever looks and from wherever.
"""

from __future__ import annotations

import datetime as dt
import json
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import typst
from django.conf import settings

from linelog.alignment import clock
from linelog.alignment.amended import readings_of
from linelog.alignment.judging import with_overtaken
from linelog.alignment.models import AmendedReading, Lockout, Reading, Result, Stage, StationNote, Sweep, Visit
from linelog.alignment.moves_made import made_words
from linelog.alignment.queries import sweeps_of
from linelog.alignment.results.captions import stands_words
from linelog.alignment.results.of_visit import BothStatuses, both_statuses
from linelog.alignment.results.static_target import target_at, target_words
from linelog.alignment.running import Knowledge, knowledge_of
from linelog.alignment.sheet_measured import bar_line, measured_lines
from linelog.alignment.sheet_results import AS_AMENDED, SEATS, Amended, Teller, result_lines
from linelog.alignment.signing.names import person_as_signed, signature_of
from linelog.alignment.since_move import older_repeats
from linelog.alignment.values import of_visit
from linelog.alignment.words import set_up_words
from linelog.calc.frame import view_words
from linelog.calc.readings import View
from linelog.calc.units import Unit, tir_from_offset
from linelog.plant.models import Station
from linelog.web import units

BEFORE_MOVE = "Repeat {} is from before the last move: kept, not counted."
TEMPLATE = Path(settings.BASE_DIR) / "templates" / "alignment" / "visit_sheet.typ"
PAPERS = {"a4": "a4", "letter": "us-letter"}
PERMISSION = (
    "This record is not permission to start or to enter a machine; the site's own procedures, local codes and "
    "licensed practice come first."
)


def content(visit: Visit, unit: Unit, made_at: dt.datetime) -> dict[str, Any]:
    """Return everything on the sheet as text and lists; lengths in the reader's unit, readings as typed."""
    plant = visit.machine.line.plant
    slopes = units.slope_unit(plant, unit)
    tell = Teller(unit, zoneinfo.ZoneInfo(plant.timezone), slopes, plant.temperature_in == "F")
    return {
        "machine": str(visit.machine),
        "line": str(visit.machine.line),
        "plant": str(plant),
        "invented": plant.is_invented,
        "opened": tell.when(visit.opened_at),
        "zone": plant.timezone,
        "state": _state(visit, tell),
        "unit": unit.word,
        "facts": _facts(visit, tell),
        "stations": _stations(visit, tell, made_at),
        "lockouts": [_lockout(one, tell) for one in visit.lockouts.prefetch_related("locks")],
        "signatures": _signatures(visit, tell),
        "amendments": _amendments(visit, tell),
        "permission": PERMISSION,
        "made": f"Made {tell.when(made_at)}",
    }


def pdf_of(visit: Visit, unit: Unit, made_at: dt.datetime, paper: str = "a4") -> bytes:
    """Return the sheet as a PDF, portrait, on A4 or Letter."""
    made: bytes = typst.compile(
        str(TEMPLATE), format="pdf", sys_inputs=_inputs(visit, unit, made_at, paper), ignore_system_fonts=True
    )
    return made


def pages_of(visit: Visit, unit: Unit, made_at: dt.datetime, paper: str = "a4") -> list[bytes]:
    """Return its pages as pictures, for whoever wants to look at them."""
    inputs = _inputs(visit, unit, made_at, paper)
    pages: Any = typst.compile(str(TEMPLATE), format="png", ppi=80.0, sys_inputs=inputs, ignore_system_fonts=True)
    return pages if isinstance(pages, list) else [pages]


def _inputs(visit: Visit, unit: Unit, made_at: dt.datetime, paper: str) -> dict[str, str]:
    data = {**content(visit, unit, made_at), "paper": PAPERS.get(paper, "a4")}
    return {"data": json.dumps(data, ensure_ascii=False)}


def _state(visit: Visit, tell: Teller) -> str:
    if visit.state == Visit.State.SIGNED:
        return f"Signed by {_signer(visit)}, {tell.when(visit.signed_at)}"
    if visit.state == Visit.State.DROPPED:
        return f"Dropped: {visit.dropped_why}"
    return "Open: not signed yet"


def _facts(visit: Visit, tell: Teller) -> list[list[str]]:
    state = "copied from a record on paper" if visit.from_paper else "running" if visit.machine_runs else "stopped"
    since = f" for {visit.minutes_in_state} min" if visit.minutes_in_state is not None else ""
    speed = f", {visit.speed_spm:g} strokes/min" if visit.speed_spm is not None else ""
    note = f": {visit.reason_note}" if visit.reason_note else ""
    facts = [
        ["Reason", f"{visit.get_reason_display()}{note}"],
        ["Machine", f"{state}{since}{speed}"],
        ["Oil", _temperature(visit.oil_c, tell)],
        ["Room", _temperature(visit.room_c, tell)],
        ["Tooling set", str(visit.tooling_set or "not logged")],
        ["Opened by", f"{person_as_signed(visit, visit.opened_by)}, {tell.when(visit.opened_at)}"],
    ]
    bar = bar_line(visit, tell.unit)
    more = [["Bar in the cradle", bar], ["Note", visit.note]]
    return [*facts, *([name, value] for name, value in more if value)]


def _temperature(value_c: float | None, tell: Teller) -> str:
    return "not logged" if value_c is None else units.show_celsius(value_c, fahrenheit=tell.fahrenheit, decimals=1)


def _stations(visit: Visit, tell: Teller, now: dt.datetime) -> list[dict[str, Any]]:
    """Return the stations along the ram, those without a word in this visit as well."""
    sweeps: dict[int, list[Sweep]] = defaultdict(list)
    for sweep in sweeps_of(visit):
        sweep.visit = visit  # with its signature
        sweeps[sweep.station_id].append(sweep)
    results: dict[int, list[Result]] = defaultdict(list)
    for result in with_overtaken(visit.results.select_related("station")):
        results[result.station_id].append(result)
    notes = {note.station_id: note for note in visit.station_notes.all()}
    amended, retyped, moves = of_visit(visit), readings_of(visit), defaultdict(list)
    moved_at: dict[int, list[dt.datetime]] = defaultdict(list)
    line_moved: list[dt.datetime] = []
    for move in visit.moves.select_related("adjuster", "by", "station"):
        made = made_words(move, tell.unit, _view(move.station, sweeps[move.station_id]))
        moved_at[move.station_id].append(move.at)
        moves[move.station_id].append(f"{made} ({person_as_signed(visit, move.by)}, {tell.when(move.at)})")
        line_moved += [move.at] if move.station.is_bushing else []
    measured = measured_lines(visit, tell.unit, tell.when)
    used = measured.keys() | sweeps.keys() | results.keys() | notes.keys() | moves.keys()
    stations = list(visit.machine.stations.order_by("order", "pk"))
    at = visit.signed_at or now
    stand, knowledge = both_statuses(visit, stations, now), knowledge_of(visit.machine, stations)
    return [
        {
            "name": str(station),
            "stands": _stands(station, sweeps[station.pk], stand, amended, tell),
            "targets": _targets(station, sweeps[station.pk], knowledge, at, tell),
            "limit": _limit(station, results[station.pk], tell),
            "sweeps": _sweeps(sweeps[station.pk], retyped, [*moved_at[station.pk], *line_moved], tell),
            "results": result_lines(station, results[station.pk], sweeps[station.pk], stand, amended, tell),
            "measured": measured[station.pk],
            "moves": moves[station.pk],
            **_said(notes.get(station.pk)),
        }
        for station in stations
        if station.is_active or station.pk in used
    ]


def _view(station: Station, sweeps: Sequence[Sweep]) -> View:
    """Return the end that a station is told from: where it was swept from in this visit, else its usual one."""
    return View(next((one.view for one in sweeps if one.kind == Sweep.Kind.RIM), station.view))


def _stands(
    station: Station, sweeps: Sequence[Sweep], stand: BothStatuses, amended: Amended, tell: Teller
) -> list[str]:
    """Say how the station stood as found and as left when it was signed, and beside it how it stands as amended."""
    view = _view(station, sweeps)
    said = []
    for stage in Stage:
        key = (station.pk, stage.value)
        if key in stand.signed:
            said.append(f"{stage.label}: {stands_words(stand.signed[key], tell.unit, view)}")
        changed = [now for place, now in amended.items() if place[:2] == key and (now is None or now.amended)]
        if changed and key in stand.amended:
            said.append(f"{stage.label}, {AS_AMENDED}: {stands_words(stand.amended[key], tell.unit, view)}")
    return said


def _targets(
    station: Station, sweeps: Iterable[Sweep], knowledge: Knowledge, at: dt.datetime, tell: Teller
) -> list[str]:
    """Say where each swept seat is to be left so that it runs true, as known when the visit was signed."""
    rims = {one.seat: one for one in sweeps if one.kind == Sweep.Kind.RIM and not station.is_bushing}
    said = []
    for seat, sweep in rims.items():
        target = target_at(knowledge, station, seat, sweep.ram_position_mm, at, sweep.carrier)
        if target is not None:
            where = f", {SEATS[seat]}" if seat else ""
            said.append(f"Static target{where}: {target_words(target, tell.unit, View(sweep.view))}")
    return said


def _said(note: StationNote | None) -> dict[str, Any]:
    if note is None:
        return {"not_touched": False, "note": "", "advised": ""}
    return {"not_touched": note.not_touched, "note": note.note, "advised": note.advised}


def _limit(station: Station, results: list[Result], tell: Teller) -> str:
    """Return the limit that held that day, where anything was measured."""
    limit = results[0].limit_um if results else station.limit_um
    return f"limit {tell.um(limit, named=True)} radial (TIR {tell.um(tir_from_offset(limit))})"


def _ordered(sweeps: Iterable[Sweep]) -> list[Sweep]:
    stages = list(Stage.values)
    swept = [sweep for sweep in sweeps if sweep.readings.all()]
    return sorted(swept, key=lambda one: (stages.index(one.stage), one.kind == Sweep.Kind.FACE, one.seat))


def _sweeps(
    rows: list[Sweep], retyped: dict[int, AmendedReading], moved_at: list[dt.datetime], tell: Teller
) -> list[dict[str, Any]]:
    """Return the sweeps of a station, each with which of its repeats do not count."""
    return [_sweep(row, older_repeats(rows, row, moved_at), retyped, tell) for row in _ordered(rows)]


def _sweep(sweep: Sweep, older: tuple[int, ...], retyped: dict[int, AmendedReading], tell: Teller) -> dict[str, Any]:
    seat = SEATS[sweep.seat] or sweep.get_kind_display().lower()
    readings = sorted(sweep.readings.all(), key=lambda one: (one.repeat, one.is_return, one.angle_deg))
    turns: dict[int, list[list[str]]] = defaultdict(list)
    for reading in readings:
        turns[reading.repeat].append([_position(reading), _typed(reading, retyped.get(reading.pk))])
    who = sorted({person_as_signed(sweep.visit, reading.by) for reading in readings})
    return {
        "what": f"{sweep.get_stage_display()}, {seat}",
        "set_up": " ".join([set_up_words(sweep, tell.unit), *(BEFORE_MOVE.format(number) for number in older)]),
        "turns": list(turns.values()),
        "by": f"{', '.join(who)}, {tell.when(max(reading.at for reading in readings))}",
        "confirmed": sweep.odd_accepted,
    }


def _position(reading: Reading) -> str:
    name = clock.words([reading.angle_deg]).removesuffix(" o'clock")
    return f"{name} again" if reading.is_return else name


def _typed(reading: Reading, retyped: AmendedReading | None) -> str:
    first = reading.as_typed
    return first if retyped is None else f"{retyped} as amended, first {first}"


def _lockout(one: Lockout, tell: Teller) -> dict[str, str]:
    ended = (
        f"{one.get_ended_how_display()}, {tell.when(one.ended_at)}"
        if one.ended_at
        else f"runs out {tell.when(one.runs_out_at)}"
    )
    locks = [
        f"{lock}: on {tell.when(lock.on_at)}, {'off ' + tell.when(lock.off_at) if lock.off_at else 'not off'}"
        for lock in one.locks.all()
    ]
    checks = "indicator, bar and fittings out and counted; guards closed; everybody clear"
    back = f"{one.returned_by}, {tell.when(one.returned_at)}: {checks}" if one.returned_at else "not written down"
    return {
        "verified": f"{one.verified_by}, {tell.when(one.verified_at)}",
        "procedure": one.procedure or "–",
        "locks": "; ".join(locks) or "none written down",
        "ended": ended,
        "returned": back,
    }


def _signatures(visit: Visit, tell: Teller) -> list[list[str]]:
    rows = [["Opened", person_as_signed(visit, visit.opened_by), tell.when(visit.opened_at)]]
    if visit.signed_at is not None:
        rows.append(["Signed", _signer(visit), tell.when(visit.signed_at)])
    return rows


def _signer(visit: Visit) -> str:
    """Return name and role of whose signature it is, as they were that day."""
    return str(signature_of(visit) or visit.signed_by)


def _amendments(visit: Visit, tell: Teller) -> list[dict[str, str]]:
    return [
        {
            "about": _about(one),
            "reason": one.reason,
            "value": _amended_value(one, tell),
            "by": f"{one.by}, {tell.when(one.at)}",
        }
        for one in visit.amendments.select_related("station", "by").prefetch_related("readings__reading__sweep")
    ]


def _about(one: Any) -> str:
    if one.station is None:
        return "The visit as a whole"
    stage = Stage(one.stage).label.lower() if one.stage else ""
    return ", ".join(word for word in (str(one.station), SEATS[one.seat], stage) if word)


def _amended_at(row: AmendedReading) -> str:
    return f"{row.reading.where}, {view_words(View(row.reading.sweep.view))}"


def _amended_value(one: Any, tell: Teller) -> str:
    if one.set_aside:
        return "left out of trends"
    if one.x_um is None:
        rows = one.readings.all()
        return "; ".join(f"{_amended_at(row)}, {row.reading.as_typed} should be {row}" for row in rows)
    x, y = tell.um(one.x_um, signed=True), tell.um(one.y_um, signed=True, named=True)
    return f"should be across {x}, up {y}, {view_words(View.CRANK)}"
