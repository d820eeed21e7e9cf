"""Open a visit, verify its lockout, sign it, drop it, amend it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction

from linelog.alignment.models import Amendment, Visit
from linelog.alignment.services.closing import close_stations, freeze_advice
from linelog.alignment.services.guard import check_may, locked_open_visit
from linelog.plant.models import Fitting, Machine, Person, Station
from linelog.web import audit, followers, units, writes
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission


@dataclass(frozen=True, slots=True)
class Conditions:
    """Why the machine is visited and in what state it is; None where not given."""

    reason: str
    reason_note: str = ""
    machine_runs: bool = False
    minutes_in_state: int | None = None
    speed_spm: float | None = None
    oil_c: float | None = None
    room_c: float | None = None


@dataclass(frozen=True, slots=True)
class Lockout:
    """Who verified that the machine is locked out, and when."""

    verified_by: str
    verified_at: datetime


def _check_lockout(lockout: Lockout, at: datetime) -> None:
    if lockout.verified_at > at + timedelta(minutes=2):
        raise Refused("The lockout can't have been verified in the future.", field="lockout_verified_at")
    if lockout.verified_at < at - timedelta(hours=24):
        raise Refused("This lockout was verified more than a day ago: verify it again.", field="lockout_verified_at")


@transaction.atomic
def open_visit(
    *, by: Person, machine: Machine, conditions: Conditions, lockout: Lockout | None, at: datetime
) -> Visit:
    """Open a visit; a machine has one open visit at a time, and whoever comes second joins it."""
    check_may(by, Permission.LOG_VISIT, "Your role may read visits but not open one.")
    if lockout:
        _check_lockout(lockout, at)
    Machine.objects.select_for_update().get(pk=machine.pk)
    already = Visit.objects.filter(machine=machine, state=Visit.State.OPEN).first()
    if already:
        raise Conflict("A visit to this machine is already open: go on with that one.", theirs=already)
    fitted = Fitting.objects.filter(machine=machine, fitted_at__lte=at, removed_at__isnull=True).first()
    visit = Visit.objects.create(
        machine=machine,
        tooling_set=fitted.tooling_set if fitted else None,
        opened_by=by,
        opened_at=at,
        reason=conditions.reason,
        reason_note=conditions.reason_note,
        machine_runs=conditions.machine_runs,
        minutes_in_state=conditions.minutes_in_state,
        speed_spm=conditions.speed_spm,
        oil_c=conditions.oil_c,
        room_c=conditions.room_c,
        lockout_verified_by=lockout.verified_by if lockout else "",
        lockout_verified_at=lockout.verified_at if lockout else None,
    )
    audit.record(by=by, action="opened visit", obj=visit, at=at, after=audit.snapshot(visit))
    return visit


@transaction.atomic
def change_conditions(
    *, by: Person, visit: Visit, conditions: Conditions, note: str, version: int, at: datetime
) -> Visit:
    """Correct why and in what state; the version is the one the person saw."""
    fresh = locked_open_visit(visit, by)
    if fresh.version != version:
        raise Conflict("Somebody else changed this visit meanwhile.", theirs=fresh, yours=conditions)
    before = audit.snapshot(fresh)
    names = [*Conditions.__dataclass_fields__]
    for name in names:
        setattr(fresh, name, getattr(conditions, name))
    fresh.note = note
    fresh.version += 1
    fresh.save(update_fields=[*names, "note", "version"])
    audit.record(by=by, action="changed visit", obj=fresh, at=at, before=before, after=audit.snapshot(fresh))
    return fresh


def verify_lockout(*, by: Person, visit: Visit, lockout: Lockout, at: datetime, key: str = "") -> None:
    """Write down who verified the lockout and when; a later verification replaces an earlier one."""

    def write() -> None:
        fresh = locked_open_visit(visit, by)
        _check_lockout(lockout, at)
        before = audit.snapshot(fresh)
        fresh.lockout_verified_by = lockout.verified_by
        fresh.lockout_verified_at = lockout.verified_at
        fresh.version += 1
        fresh.save(update_fields=["lockout_verified_by", "lockout_verified_at", "version"])
        audit.record(by=by, action="verified lockout", obj=fresh, at=at, before=before, after=audit.snapshot(fresh))

    content = [visit.pk, "lockout", lockout.verified_by, lockout.verified_at]
    writes.once(by=by, key=key, content=content, at=at, write=write)


@transaction.atomic
def sign_visit(*, by: Person, visit: Visit, at: datetime) -> Visit:
    """Sign and close; from now on only amendments can be added."""
    check_may(by, Permission.SIGN_VISIT, "Your role may not sign a visit.")
    fresh = locked_open_visit(visit, by)
    if not (fresh.results.exists() or fresh.clearances.exists() or fresh.bushing_positions.exists()):
        raise Refused("Nothing was measured: log a sweep, or drop the visit with a reason.")
    close_stations(visit=fresh, at=at)
    freeze_advice(visit=fresh, unit=units.of(by))
    before = audit.snapshot(fresh)
    fresh.state = Visit.State.SIGNED
    fresh.signed_by = by
    fresh.signed_at = at
    fresh.version += 1
    fresh.save(update_fields=["state", "signed_by", "signed_at", "version"])
    audit.record(by=by, action="signed visit", obj=fresh, at=at, before=before, after=audit.snapshot(fresh))
    _tell(fresh, at)
    return fresh


@transaction.atomic
def drop_visit(*, by: Person, visit: Visit, why: str, at: datetime) -> Visit:
    """Close a visit that came to nothing; what was typed stays readable but joins no trend."""
    fresh = locked_open_visit(visit, by)
    if not why.strip():
        raise Refused("Say why the visit is dropped.", field="why")
    before = audit.snapshot(fresh)
    fresh.state = Visit.State.DROPPED
    fresh.dropped_why = why.strip()
    fresh.version += 1
    fresh.save(update_fields=["state", "dropped_why", "version"])
    audit.record(by=by, action="dropped visit", obj=fresh, at=at, before=before, after=audit.snapshot(fresh))
    return fresh


@dataclass(frozen=True, slots=True)
class AmendedValue:
    """The value of one station that an amendment speaks of; x and y in um, or None to leave them."""

    station: Station
    stage: str
    seat: str
    x_um: float | None
    y_um: float | None
    set_aside: bool


@transaction.atomic
def amend_visit(*, by: Person, visit: Visit, reason: str, value: AmendedValue | None, at: datetime) -> Amendment:
    """Put a reasoned amendment beside a signed visit; both show from now on."""
    check_may(by, Permission.AMEND_VISIT, "Your role may not amend a visit.")
    if visit.state != Visit.State.SIGNED:
        raise Refused("Only a signed visit is amended; an open one can simply be corrected.")
    if not reason.strip():
        raise Refused("Say what was wrong and how you know.", field="reason")
    amendment = Amendment.objects.create(
        visit=visit,
        reason=reason.strip(),
        station=value.station if value else None,
        stage=value.stage if value else "",
        seat=value.seat if value else "",
        x_um=value.x_um if value else None,
        y_um=value.y_um if value else None,
        set_aside=value.set_aside if value else False,
        by=by,
        at=at,
    )
    audit.record(by=by, action="amended visit", obj=visit, at=at, after=audit.snapshot(amendment))
    _tell(visit, at)
    return amendment


def _tell(visit: Visit, at: datetime) -> None:
    """Tell whoever rests on signed visits that this machine has a new word."""
    followers.tell(followers.VISITS, plant_id=visit.machine.line.plant_id, machines=[visit.machine_id], at=at)
