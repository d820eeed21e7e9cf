"""Readings as they are typed: saved at once, one at a time, each with its history and its version."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from linelog.alignment import clock
from linelog.alignment.models import Reading, Sweep, Visit
from linelog.alignment.not_proven import MOST_REPEATS
from linelog.alignment.queries import sweep_defaults
from linelog.alignment.services.guard import locked_open_visit, measured_at, withdraw_not_touched
from linelog.alignment.services.lockouts import require_lockout
from linelog.alignment.services.results import store_results
from linelog.plant.models import Person, Station
from linelog.web import audit, writes
from linelog.web.errors import Conflict, Refused

_SHOWN = 1e-5  # what writing a length with six digits may change of it


@dataclass(frozen=True, slots=True)
class Place:
    """Which sweep is meant: of which station, when, at which seat, rim or face."""

    station: Station
    stage: str
    seat: str
    kind: str


@dataclass(frozen=True, slots=True)
class Typed:
    """One reading as typed; `value_um` None takes the reading away. `version` is the one seen, 0 for none."""

    repeat: int
    angle_deg: float
    is_return: bool
    value_um: float | None
    text: str
    unit: str
    version: int


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


def the_sweep(visit: Visit, place: Place, unit: str = "") -> Sweep:
    """Return the sweep of a place, made with the usual set-up where there is none; `unit` of its first reading."""
    where = {"visit": visit, "station": place.station, "stage": place.stage, "seat": place.seat, "kind": place.kind}
    there = Sweep.objects.filter(**where).first()
    if there:
        return there
    usual = sweep_defaults(visit, place.station, place.seat, place.kind) | ({"unit": unit} if unit else {})
    return Sweep.objects.get_or_create(**where, defaults=usual)[0]


def _conflict(theirs: Reading | None, typed: Typed) -> Conflict:
    if theirs is None:
        return Conflict("Somebody took this reading away meanwhile; yours is not stored yet.", yours=typed)
    return Conflict(
        f"{theirs.by} typed {theirs.typed} {theirs.unit} here meanwhile; yours, {typed.text} {typed.unit}, "
        "is not stored yet.",
        theirs=theirs,
        yours=typed,
    )


def _insert(sweep: Sweep, typed: Typed, value_um: float, by: Person, at: datetime) -> Reading:
    try:
        with transaction.atomic():
            return Reading.objects.create(
                sweep=sweep,
                repeat=typed.repeat,
                angle_deg=typed.angle_deg,
                is_return=typed.is_return,
                value_um=value_um,
                typed=typed.text,
                unit=typed.unit,
                by=by,
                at=at,
            )
    except IntegrityError:
        raise _conflict(_existing(sweep, typed), typed) from None


def _existing(sweep: Sweep, typed: Typed) -> Reading | None:
    return (
        Reading.objects.select_related("by")
        .filter(sweep=sweep, repeat=typed.repeat, angle_deg=typed.angle_deg, is_return=typed.is_return)
        .first()
    )


def _write(sweep: Sweep, typed: Typed, by: Person, at: datetime) -> tuple[str, dict[str, Any] | None, Reading | None]:
    """Insert, change or take away the reading; return what was done, the state before, and what stands now."""
    current = _existing(sweep, typed)
    if current is None:
        if typed.version and typed.value_um is not None:
            raise _conflict(None, typed)
        new = None if typed.value_um is None else _insert(sweep, typed, typed.value_um, by, at)
        return "typed reading", None, new
    same = current.value_um == typed.value_um and current.typed == typed.text
    if current.version != typed.version and not same:
        raise _conflict(current, typed)
    if same:
        return "", None, current
    before = audit.snapshot(current)
    if typed.value_um is None:
        audit.record(by=by, action="took reading away", obj=current, at=at, before=before)
        current.delete()
        return "", before, None
    for name, value in {
        "value_um": typed.value_um,
        "typed": typed.text,
        "unit": typed.unit,
        "by": by,
        "at": at,
    }.items():
        setattr(current, name, value)
    current.version += 1
    current.save(update_fields=["value_um", "typed", "unit", "by", "at", "version"])
    return "changed reading", before, current


def _check_typed(sweep: Sweep, typed: Typed) -> None:
    if not 1 <= typed.repeat <= MOST_REPEATS:
        raise Refused(f"A sweep has at most {MOST_REPEATS} repeats.", field="repeat")
    if clock.nearest(typed.angle_deg, sweep.positions) is None:
        raise Refused("The sweep has no such position; choose how many positions first.", field="angle_deg")


def _where(visit: Visit, place: Place) -> list[object]:
    return [visit.pk, place.station.pk, place.stage, place.seat, place.kind]


def save_reading(
    *,
    by: Person,
    visit: Visit,
    place: Place,
    typed: Typed,
    at: datetime,
    typed_at: datetime | None = None,
    key: str = "",
) -> int:
    """Store one typed reading and compute its station anew; return the reading's version (0 where taken away).

    A lockout must have stood when it was typed: `typed_at`, where a tablet sends it later. Sent twice under one key
    it is stored once. A reading that somebody else changed since the person saw it
    raises `Conflict` with both, and nothing is stored.
    """

    def write() -> int:
        fresh = locked_open_visit(visit, by)
        _no_bushing(place.station)
        require_lockout(fresh, typed_at or at)
        sweep = the_sweep(fresh, place, typed.unit)
        _check_typed(sweep, typed)
        action, before, now = _write(sweep, typed, by, at)
        if action and now is not None:
            audit.record(by=by, action=action, obj=now, at=at, before=before, after=audit.snapshot(now))
        if sweep.odd_accepted and action:
            Sweep.objects.filter(pk=sweep.pk).update(odd_accepted=False)
        if (now is not None and action) or before is not None:
            withdraw_not_touched(fresh, place.station, by, at)
        store_results(visit=fresh, station=place.station, stage=place.stage, at=measured_at(fresh, at))
        return now.version if now else 0

    content = [*_where(visit, place), asdict(typed)]
    answer = writes.once(by=by, key=key, content=content, at=at, write=write)
    return int(answer)


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
