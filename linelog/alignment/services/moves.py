"""What was really done at a station: moves as made, 'not touched', notes, running values typed in."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from django.db import transaction

from linelog.alignment import adjuster_state
from linelog.alignment.limits import in_force
from linelog.alignment.models import (
    Capture,
    Lockout,
    MoveMade,
    Reading,
    Result,
    RunningReading,
    Stage,
    StationNote,
    Visit,
)
from linelog.alignment.models.sweep import Method
from linelog.alignment.services import lockouts
from linelog.alignment.services.guard import locked_open_visit, measured_at, withdraw_not_touched
from linelog.alignment.services.results import store_results
from linelog.calc.verdict import judge
from linelog.plant.models import Adjuster, Person, Station
from linelog.web import audit, units, writes
from linelog.web.errors import Conflict, Refused

ABSURD_TRAVEL_UM = 20_000.0


@dataclass(frozen=True, slots=True)
class Done:
    """A move as typed: travel of an adjuster in um, or words where no figure fits, or both.

    put_in, taken_out  thickness in um of each shim, where that is known; turns of a screw, in positive
    """

    adjuster: Adjuster | None
    travel_um: float | None
    typed: str
    unit: str
    words: str
    put_in: tuple[float, ...] = ()
    taken_out: tuple[float, ...] = ()
    turns: float | None = None


@transaction.atomic
def log_move(*, by: Person, visit: Visit, station: Station, done: Done, at: datetime, key: str = "") -> int:
    """Log one move that was made; returns its id. Logging it takes back 'not touched'."""

    def write() -> int:
        fresh = locked_open_visit(visit, by)
        if done.travel_um is None and not done.words.strip():
            raise Refused("Say what was moved: the travel, or a few words.", field="travel")
        if done.travel_um is not None and abs(done.travel_um) > ABSURD_TRAVEL_UM:
            most = units.show_um(ABSURD_TRAVEL_UM, units.of(by), with_unit=True)
            raise Refused(f"That is more than {most} of travel: check the number and its unit.", field="travel")
        facts = adjuster_state.done_facts(done, units.of(by))
        move = MoveMade.objects.create(
            visit=fresh,
            station=station,
            adjuster=done.adjuster,
            travel_um=done.travel_um,
            typed=done.typed,
            unit=done.unit,
            words=done.words.strip(),
            **facts,
            by=by,
            at=measured_at(fresh, at),
        )
        withdraw_not_touched(fresh, station, by, at)
        adjuster_state.draw_stock(done.adjuster, move.put_in_um, -1)
        audit.record(by=by, action="logged move", obj=move, at=at, after=audit.snapshot(move))
        return move.pk

    content = [visit.pk, station.pk, done.adjuster.pk if done.adjuster else None, done.typed, done.unit, done.words]
    return int(writes.once(by=by, key=key, content=content, at=at, write=write))


def log_offered(
    *,
    by: Person,
    visit: Visit,
    station: Station,
    offered: Sequence[Done],
    seen: str,
    at: datetime,
    made_at: datetime | None = None,
    key: str = "",
) -> None:
    """Log a whole move that was made just as it was offered, all of its lines or none, under a lockout that stood.

    `seen` is the `offer_mark` of what the person saw: a move offered since was not made.
    """

    def write() -> None:
        lockouts.require_lockout_to_move(locked_open_visit(visit, by), made_at or at)
        if not offered or seen != offer_mark([(done.adjuster, done.travel_um) for done in offered]):
            raise Refused("What is offered here has changed since you saw it: log what was really done.")
        for done in offered:
            log_move(by=by, visit=visit, station=station, done=done, at=at)

    content = [visit.pk, station.pk, "as offered", seen]
    writes.once(by=by, key=key, content=content, at=at, write=write)


def offer_mark(lines: Iterable[tuple[Adjuster | None, float | None]]) -> str:
    """Return a short mark of an offered move, to say later that it is still the same."""
    return writes.digest([(adjuster.pk if adjuster else 0, travel_um) for adjuster, travel_um in lines])[:16]


def take_move_back(*, by: Person, visit: Visit, station: Station, move_id: int, at: datetime, key: str = "") -> None:
    """Take a move out that was logged by mistake; the history keeps it."""

    def write() -> None:
        fresh = locked_open_visit(visit, by)
        move = MoveMade.objects.filter(pk=move_id, visit=fresh, station=station).first()
        if move is None:
            raise Refused("This move is not in the log any more: somebody took it back already.")
        audit.record(by=by, action="took move back", obj=move, at=at, before=audit.snapshot(move))
        adjuster_state.draw_stock(move.adjuster, move.put_in_um, +1)
        move.delete()
        for swept in _swept_as_left(fresh, station):  # what the move had made older than itself counts again
            store_results(visit=fresh, station=swept, stage=Stage.AS_LEFT, at=measured_at(fresh, at))

    writes.once(by=by, key=key, content=[visit.pk, station.pk, "move back", move_id], at=at, write=write)


def _swept_as_left(visit: Visit, moved: Station) -> list[Station]:
    """Return the stations swept as left that a move of `moved` concerns: itself, or all where it is a bushing."""
    read = Reading.objects.filter(sweep__visit=visit, sweep__stage=Stage.AS_LEFT)
    rows = Station.objects.filter(pk__in=read.values("sweep__station")).exclude(kind__in=Station.BUSHINGS)
    return in_force(visit, list(rows if moved.is_bushing else rows.filter(pk=moved.pk)))


def count_pack(
    *,
    by: Person,
    visit: Visit,
    station: Station,
    adjuster: Adjuster,
    pieces_um: Sequence[float],
    at: datetime,
    key: str = "",
) -> None:
    """Store the thicknesses counted in a pack; moves logged from now on change them."""

    def write() -> None:
        locked_open_visit(visit, by)
        if adjuster.kind != Adjuster.Kind.SHIM:
            raise Refused(f"{adjuster} has no pack of shims to count.")
        before = {"pack_um": adjuster.pack_um}
        Adjuster.objects.filter(pk=adjuster.pk).update(pack_um=list(pieces_um), pack_counted_at=at)
        after = {"pack_um": list(pieces_um)}
        audit.record(by=by, action="counted pack", obj=adjuster, at=at, before=before, after=after)

    content = [visit.pk, station.pk, "pack", adjuster.pk, list(pieces_um)]
    writes.once(by=by, key=key, content=content, at=at, write=write)


@transaction.atomic
def say_not_touched(
    *, by: Person, visit: Visit, station: Station, not_touched: bool, at: datetime, key: str = ""
) -> None:
    """Say that a station was not touched (or take it back)."""

    def write() -> None:
        fresh = locked_open_visit(visit, by)
        if not_touched and MoveMade.objects.filter(visit=fresh, station=station).exists():
            raise Refused("Moves are logged at this station: take them back before saying it was not touched.")
        note, _ = StationNote.objects.get_or_create(visit=fresh, station=station)
        if StationNote.objects.filter(pk=note.pk).exclude(not_touched=not_touched).update(not_touched=not_touched):
            action = "said not touched" if not_touched else "took back not touched"
            audit.record(by=by, action=action, obj=station, at=at)

    content = [visit.pk, station.pk, "not touched", not_touched]
    writes.once(by=by, key=key, content=content, at=at, write=write)


@transaction.atomic
def write_note(
    *, by: Person, visit: Visit, station: Station, text: str, version: int, at: datetime, key: str = ""
) -> int:
    """Write the note of a station and return its version; `version` is the one the person saw (0 for none)."""

    def write() -> int:
        fresh = locked_open_visit(visit, by)
        note, made = StationNote.objects.get_or_create(visit=fresh, station=station)
        if not made and version != note.version and note.note != text:
            raise Conflict(
                f"Somebody else wrote here meanwhile: '{note.note}'. Yours is not stored yet.",
                theirs=note,
                yours=text,
            )
        before = audit.snapshot(note)
        note.note = text
        note.version += 1
        note.save(update_fields=["note", "version"])
        audit.record(by=by, action="wrote note", obj=note, at=at, before=before, after=audit.snapshot(note))
        return note.version

    content = [visit.pk, station.pk, "note", text, version]
    return int(writes.once(by=by, key=key, content=content, at=at, write=write))


@dataclass(frozen=True, slots=True)
class RunningValue:
    """A running offset from the plant's own measurement, um; `expanded_um` of each axis at about 95 %."""

    x_um: float
    y_um: float
    expanded_um: float
    strokes: int
    unit: str


def running_values(value: RunningValue, station: Station, at: datetime) -> dict[str, Any]:
    """Return the columns of a running `Result`, judged against the station's limit."""
    radial = math.hypot(value.x_um, value.y_um)
    judged = judge(radial, value.expanded_um, station.limit_um)
    return {
        "carrier": "",
        "limit_rule": station.limit_rule,
        "x_um": value.x_um,
        "y_um": value.y_um,
        "radial_um": radial,
        "u_x_um": value.expanded_um / 2.0,
        "u_y_um": value.expanded_um / 2.0,
        "expanded_um": value.expanded_um,
        "readings": value.strokes,
        "verdict": judged.verdict.value,
        "severity": judged.severity,
        "limit_um": station.limit_um,
        "algorithm": "typed",
        "at": at,
    }


def _store_running(
    visit: Visit, station: Station, stage: str, value: RunningValue, version: int, by: Person, at: datetime
) -> int:
    place: dict[str, Any] = {"visit": visit, "station": station, "stage": stage}
    if Capture.objects.filter(visit=visit, stage=stage, values__station=station).exists():
        raise Refused(
            f"The running offset of {station} there comes from a capture: take that out of the visit first.",
            field="stage",
        )
    earlier = RunningReading.objects.filter(**place).select_related("by").first()
    if (earlier.version if earlier else 0) != version:
        who = earlier.by if earlier else "Somebody"
        raise Conflict(f"{who} typed in a running value here meanwhile; yours is not stored yet.", theirs=earlier)
    reading, _ = RunningReading.objects.update_or_create(
        **place, defaults={**asdict(value), "by": by, "at": at, "version": earlier.version + 1 if earlier else 1}
    )
    before = audit.snapshot(earlier) if earlier else None
    audit.record(
        by=by, action="typed running value", obj=reading, at=at, before=before, after=audit.snapshot(reading)
    )
    Result.objects.update_or_create(
        **place, seat="", method=Method.RUNNING, defaults=running_values(value, station, measured_at(visit, at))
    )
    return reading.version


def log_running_value(
    *,
    by: Person,
    visit: Visit,
    station: Station,
    stage: str,
    value: RunningValue,
    version: int,
    at: datetime,
    key: str = "",
) -> int:
    """Store a running offset typed in and return its version; `version` is the one the person saw (0 for none).

    A second one for the same stage replaces the first, with its history. One as left says that the machine has run,
    which ends the lockout.
    """

    def write() -> int:
        fresh = locked_open_visit(visit, by)
        stored = _store_running(fresh, station, stage, value, version, by, at)
        if stage == Stage.AS_LEFT:  # measured after the restart
            lockouts.end_standing(by=by, visit=fresh, how=Lockout.Ended.RAN, ended_at=at, at=at)
        return stored

    content = [visit.pk, station.pk, stage, asdict(value), version]
    return int(writes.once(by=by, key=key, content=content, at=at, write=write))
