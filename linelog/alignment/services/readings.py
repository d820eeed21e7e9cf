"""Readings as they are typed: saved at once, one at a time, each with its history and its version."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from linelog.alignment import clock
from linelog.alignment.at_hand import AtHand, readings_in_hand, take
from linelog.alignment.computing import StationOutcome, compute_swept
from linelog.alignment.inched import is_from_before
from linelog.alignment.models import Lockout, Reading, Stage, Sweep, Visit
from linelog.alignment.not_proven import MOST_REPEATS
from linelog.alignment.place import Place, place_from, stage_from
from linelog.alignment.queries import moved_at, sweep_defaults
from linelog.alignment.services.guard import (
    check_may_log,
    check_open,
    locked_open_visit,
    measured_at,
    withdraw_not_touched,
)
from linelog.alignment.services.lockouts import require_lockout
from linelog.alignment.services.results import keep_results, store_results
from linelog.alignment.since_move import is_older
from linelog.alignment.words import told
from linelog.calc.units import Unit
from linelog.plant.models import Person, Station
from linelog.web import audit, units, writes
from linelog.web.errors import Conflict, Refused
from linelog.web.prepared import PreparedInsert, PreparedUpdate

TYPED, CHANGED, TOOK_AWAY = "typed reading", "changed reading", "took reading away"  # as the history has them
READ_AGAIN = "read it again, the same"
NEW, TYPED_ANEW = PreparedInsert(Reading), PreparedUpdate(Reading, "value_um", "typed", "unit", "by", "at", "version")
_SHOWN = 1e-5  # what writing a length with six digits may change of it


@dataclass(frozen=True, slots=True)
class Typed:
    """One reading as typed; `value_um` None takes the reading away. `version` is the one seen, 0 for none.

    as_found  the person was asked, and says that it is as found though moves were logged since
    """

    repeat: int
    angle_deg: float
    is_return: bool
    value_um: float | None
    text: str
    unit: str
    version: int
    as_found: bool = False


@dataclass(frozen=True, slots=True)
class SweepChoice:
    """How a sweep is made: the fields of `Sweep` that the set-up form asks for, um and mm."""

    positions: int
    surface: str
    carrier: str
    view: str
    facing: str
    plunger_reversed: bool
    indicator: str
    resolution_um: float
    sag_um: float
    sag_uncertainty_um: float
    face_radius_mm: float | None
    ram_position_mm: float | None


def _no_bushing(station: Station) -> None:
    if station.is_bushing:
        raise Refused(
            f"{station} is not swept: a dial that rides in a bushing sinks with it. "
            "Measure its clearance, or its position from something else."
        )


def the_sweep(visit: Visit, place: Place) -> Sweep:
    """Return the sweep of a place, made with the usual set-up where there is none."""
    where = {"visit": visit, "station": place.station, "stage": place.stage, "seat": place.seat, "kind": place.kind}
    there = Sweep.objects.filter(**where).first()
    if there:
        return there
    usual = sweep_defaults(visit, place.station, place.seat, place.kind)
    return Sweep.objects.get_or_create(**where, defaults=usual)[0]


def _conflict(theirs: Reading | None, typed: Typed) -> Conflict:
    if theirs is None:
        return Conflict("Somebody took this reading away meanwhile; yours is not stored yet.", yours=typed)
    there, mine = told(theirs, Unit(typed.unit)), units.show_typed(typed.text, typed.unit)
    return Conflict(
        f"{theirs.by} typed {there} here meanwhile; yours, {mine}, is not stored yet.",
        theirs=theirs,
        yours=typed,
    )


def _check_typed(sweep: Sweep, typed: Typed) -> None:
    if not 1 <= typed.repeat <= MOST_REPEATS:
        raise Refused(f"A sweep has at most {MOST_REPEATS} repeats.", field="repeat")
    if clock.nearest(typed.angle_deg, sweep.positions) is None:
        raise Refused("The sweep has no such position; choose how many positions first.", field="angle_deg")


def _there(sweep: Sweep, typed: Typed) -> Reading | None:
    """Return the reading that stands where this one was typed."""
    there = (typed.repeat, typed.angle_deg, typed.is_return)
    rows = readings_in_hand(sweep)
    return next((row for row in rows if (row.repeat, row.angle_deg, row.is_return) == there), None)


def _check_stage(hand: AtHand, sweep: Sweep, typed: Typed, typed_at: datetime, moved: list[datetime]) -> None:
    """Ask once where a reading is typed as found after moves were logged: it is likely to be of what is left.

    A record on paper is copied in any order, and what a tablet sends late was typed before the move.
    """
    if hand.stage != Stage.AS_FOUND or hand.visit.from_paper or typed.as_found or typed.value_um is None:
        return
    if not is_older(readings_in_hand(sweep), moved):  # nothing to type over, or asked and answered
        return
    there, last = _there(sweep, typed), max(moved)
    if typed_at < last or (there is not None and there.value_um == typed.value_um):
        return
    raise Refused(f"Moves were logged since ({timezone.localtime(last):%H:%M}): is this as left?", field="stage")


def _where(visit: Visit, place: Place) -> list[object]:
    return [visit.pk, place.station.pk, place.stage, place.seat, place.kind]


@dataclass(frozen=True, slots=True)
class _Change:
    """What a typed reading does to a sweep in hand: by which name ('' where it stands there so already).

    reading  the one that stands then, or was taken away; `before` its columns as they were
    """

    name: str
    reading: Reading | None = None
    before: dict[str, Any] | None = None

    @property
    def version(self) -> int:
        """The version that stands then, 0 for none."""
        return self.reading.version if self.reading is not None and self.name != TOOK_AWAY else 0


def _change(sweep: Sweep, typed: Typed, lockouts: Iterable[Lockout], by: Person, at: datetime) -> _Change:
    """Change the sweep in hand as it was typed; Conflict where somebody else was quicker. Nothing is stored yet.

    The same value typed once more changes nothing, unless the machine was powered since: then it was read again.
    """
    rows = readings_in_hand(sweep)
    current = _there(sweep, typed)
    facts = {"value_um": typed.value_um, "typed": typed.text, "unit": typed.unit, "by": by, "at": at}
    if current is None:
        if typed.value_um is None:
            return _Change("")
        if typed.version:
            raise _conflict(None, typed)
        new = Reading(sweep=sweep, repeat=typed.repeat, angle_deg=typed.angle_deg, is_return=typed.is_return, **facts)
        rows.append(new)
        rows.sort(key=lambda row: (row.repeat, row.is_return, row.angle_deg))
        return _Change(TYPED, new)
    is_same = current.value_um == typed.value_um and current.typed == typed.text
    if is_same and not is_from_before(current, lockouts):
        return _Change("", current)
    if current.version != typed.version:
        raise _conflict(current, typed)
    before = audit.snapshot(current)
    if typed.value_um is None:
        rows.remove(current)
        return _Change(TOOK_AWAY, current, before)
    for name, value in (facts | {"version": current.version + 1}).items():
        setattr(current, name, value)
    return _Change(READ_AGAIN if is_same else CHANGED, current, before)


def _store(change: _Change, hand: AtHand, sweep: Sweep, by: Person, at: datetime) -> None:
    """Store a change that was made in hand, with its history."""
    reading = change.reading
    if not change.name or reading is None:
        return
    if sweep.pk is None:
        sweep.unit = reading.unit
        sweep.save(force_insert=True)
        reading.sweep = sweep  # which has its number now
    if change.name == TOOK_AWAY:
        audit.record(by=by, action=change.name, obj=reading, at=at, before=change.before)
        reading.delete()
    else:
        (NEW if change.name == TYPED else TYPED_ANEW).store(reading)
        after = audit.snapshot(reading)
        audit.record(by=by, action=change.name, obj=reading, at=at, before=change.before, after=after)
        if sweep.odd_accepted:
            Sweep.objects.filter(pk=sweep.pk).update(odd_accepted=False)
            sweep.odd_accepted = False
    if hand.note is not None and hand.note.not_touched:
        withdraw_not_touched(hand.visit, hand.station, by, at)
        hand.note.not_touched = False


@dataclass(frozen=True, slots=True)
class Saved:
    """A stored reading: its version (0 where it was taken away), and its station with what it now comes to.

    The station is None where the same was sent before: it may have gone on since.
    """

    version: int
    hand: AtHand | None = None
    found: StationOutcome | None = None


def save_reading(
    *,
    by: Person,
    visit_id: int,
    station_id: int,
    asked: Mapping[str, str],
    typed: Callable[[AtHand, Place], Typed],
    at: datetime,
    typed_at: datetime | None = None,
    key: str = "",
) -> Saved:
    """Store one typed reading with what its station now comes to, worked out once, in the reader's unit.

    asked  the stage, seat and kind of its sweep, as `place_from` takes them
    typed  reads it, once the sweep is in hand: the step of the dial decides what is asked back (Refused)

    A lockout must have stood when it was typed: `typed_at`, where a tablet sends it later. Sent twice under one key
    it is stored once. A reading that somebody else changed since the person saw it raises `Conflict` with both, and
    nothing is stored. `Visit.DoesNotExist` where the visit or the station is not this person's.
    """
    content: list[object] = []
    try:
        with transaction.atomic():
            hand = take(by, visit_id, station_id, stage_from(asked))
            if hand is None:
                raise Visit.DoesNotExist
            place = place_from(hand.station, asked)
            read = typed(hand, place)
            content += [*_where(hand.visit, place), asdict(read)]
            try:
                return _saved(hand, place, read, by, at, typed_at or at, key, content)
            except Refused:
                first = writes.answered(by=by, key=key, content=content)
                if first is None:
                    raise
                return Saved(int(first))
    except writes.SentBefore:
        return Saved(int(writes.answered(by=by, key=key, content=content)))


def _saved(
    hand: AtHand,
    place: Place,
    typed: Typed,
    by: Person,
    at: datetime,
    typed_at: datetime,
    key: str,
    content: list[object],
) -> Saved:
    """Check, change in hand, work out, and only then write, the key first."""
    check_may_log(by)
    check_open(hand.visit)
    _no_bushing(hand.station)
    require_lockout(hand.visit, typed_at, hand.lockouts)
    sweep = hand.sweep_of(place.seat, place.kind)
    _check_typed(sweep, typed)
    moved = moved_at(hand.visit, hand.station) if hand.moved else []
    _check_stage(hand, sweep, typed, typed_at, moved)
    change = _change(sweep, typed, hand.lockouts, by, at)
    writes.put(by=by, key=key, content=content, at=at, answer=change.version)
    _store(change, hand, sweep, by, at)
    swept = [(row, readings_in_hand(row)) for row in hand.sweeps]
    found = compute_swept(
        station=hand.station,
        stage=hand.stage,
        plant=hand.plant,
        swept=swept,
        unit=units.of(by),
        moved_at=moved,
        lockouts=hand.lockouts,
    )
    keep_results(found, hand.visit, measured_at(hand.visit, at), stored=hand.stored)
    return Saved(change.version, hand, found)


def _is_same(stored: object, chosen: object) -> bool:
    """Whether a field was only confirmed: a length shown in inches comes back rounded to six digits."""
    if isinstance(stored, float) and isinstance(chosen, float):
        return math.isclose(stored, chosen, rel_tol=_SHOWN, abs_tol=1e-9)
    return stored == chosen


def _set_up(visit: Visit, place: Place, choice: SweepChoice, version: int, by: Person, at: datetime) -> int:
    sweep = the_sweep(visit, place)
    # Its first reading makes a sweep as the page without one showed it: version 1 is what that page saw.
    if sweep.version != (version or 1):
        raise Conflict("Somebody else changed this set-up meanwhile; yours is not stored yet.", theirs=sweep)
    stray = {r.angle_deg for r in sweep.readings.all() if clock.nearest(r.angle_deg, choice.positions) is None}
    if stray:
        raise Refused(
            f"There are readings at {clock.words(sorted(stray))}, which {choice.positions} positions do not have: "
            "take them away first.",
            field="positions",
        )
    before = audit.snapshot(sweep)
    changed = {name: value for name, value in asdict(choice).items() if not _is_same(getattr(sweep, name), value)}
    if changed:
        sweep.odd_accepted = False  # readings confirmed under another set-up
    chosen = {**changed, "set_up_from": Sweep.SetUpFrom.PERSON, "taken_over_from": None}
    for name, value in chosen.items():
        setattr(sweep, name, value)
    sweep.version += 1
    sweep.save(update_fields=[*chosen, "version", "odd_accepted"])
    audit.record(by=by, action="set up sweep", obj=sweep, at=at, before=before, after=audit.snapshot(sweep))
    withdraw_not_touched(visit, place.station, by, at)
    store_results(visit=visit, station=place.station, stage=place.stage, at=measured_at(visit, at))
    return sweep.version


def set_up_sweep(
    *, by: Person, visit: Visit, place: Place, choice: SweepChoice, version: int, at: datetime, key: str = ""
) -> int:
    """Choose or confirm how a sweep is made and compute anew; return its version.

    Readings at positions it no longer has must go first. `version` is the one the person saw, 0 for no sweep yet.
    """

    def write() -> int:
        _no_bushing(place.station)
        return _set_up(locked_open_visit(visit, by), place, choice, version, by, at)

    content = [*_where(visit, place), "set-up", asdict(choice), version]
    return int(writes.once(by=by, key=key, content=content, at=at, write=write))


def fingerprint(sweep: Sweep) -> str:
    """Return a short mark of a sweep's readings as they stand, to say later that they are still the same."""
    rows = [(r.repeat, r.angle_deg, r.is_return, r.value_um) for r in sweep.readings.all()] if sweep.pk else []
    return writes.digest(sorted(rows))[:16]


def accept_odd_readings(*, by: Person, visit: Visit, place: Place, seen: str, at: datetime, key: str = "") -> None:
    """Confirm readings that the program wanted read again, so that a move is offered.

    `seen` is the `fingerprint` of what the person confirms: readings changed since are not confirmed unseen.
    """

    def write() -> None:
        fresh = locked_open_visit(visit, by)
        _no_bushing(place.station)
        sweep = the_sweep(fresh, place)
        if seen != fingerprint(sweep):
            raise Refused("The readings have changed since you saw them: look again before you confirm them.")
        if Sweep.objects.filter(pk=sweep.pk, odd_accepted=False).update(odd_accepted=True):
            audit.record(by=by, action="accepted odd readings", obj=sweep, at=at)
        store_results(visit=fresh, station=place.station, stage=place.stage, at=measured_at(fresh, at))

    writes.once(by=by, key=key, content=[*_where(visit, place), "accept", seen], at=at, write=write)
