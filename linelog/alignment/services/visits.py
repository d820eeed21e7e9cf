"""Open a visit, sign it, drop it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import Q

from linelog.alignment.models import Lockout, Signature, Visit
from linelog.alignment.queries import open_visit_of
from linelog.alignment.services import lockouts
from linelog.alignment.services.amending import tell
from linelog.alignment.services.closing import close_stations, freeze_advice
from linelog.alignment.services.guard import check_may, locked_open_visit
from linelog.alignment.services.lockouts import Verification
from linelog.alignment.signing.check import SENTENCES, Code, is_measured
from linelog.alignment.signing.names import names_of
from linelog.alignment.signing.record import Line, differences, digest_of, record_of
from linelog.plant.models import Fitting, Machine, Person
from linelog.web import audit, units, writes
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


def _fitted(machine: Machine, at: datetime) -> Fitting | None:
    """Return the tooling set that was on at this time."""
    there = Q(removed_at__isnull=True) | Q(removed_at__gt=at)
    return Fitting.objects.filter(there, machine=machine, fitted_at__lte=at).order_by("-fitted_at").first()


def open_visit(
    *,
    by: Person,
    machine: Machine,
    conditions: Conditions,
    lockout: Verification | None,
    at: datetime,
    paper_of: datetime | None = None,
    said_at: datetime | None = None,
    join: int | None = None,
    key: str = "",
) -> Visit:
    """Open a visit; a machine has one open visit at a time, and whoever comes second joins it.

    `paper_of` is when the measuring began that is copied from a record on paper: it needs no lockout now. `said_at`
    is when it was opened on a tablet that sends it later; `join` names the open visit that its person then chose to
    go on in. Sent twice under one key it is opened once.
    """
    check_may(by, Permission.LOG_VISIT, "Your role may read visits but not open one.")
    if paper_of and paper_of > at:
        raise Refused("A record on paper is of a time that has passed.", field="paper_of")

    def write() -> int:
        Machine.objects.select_for_update().get(pk=machine.pk)
        visit = _open_one(machine, join)
        if visit is None:
            visit = _opened(by, machine, conditions, paper_of or said_at or at, at, is_paper=paper_of is not None)
        if lockout and not visit.from_paper:
            lockouts.begin(by=by, visit=visit, given=lockout, at=at, said_at=said_at)
        return int(visit.pk)

    given = asdict(lockout) if lockout else None
    content = [machine.pk, "open", asdict(conditions), given, paper_of, join]
    return Visit.objects.get(pk=writes.once(by=by, key=key, content=content, at=at, write=write))


def _open_one(machine: Machine, join: int | None) -> Visit | None:
    """Return the visit to join; Conflict where another one is open than the person chose."""
    already = open_visit_of(machine)
    if already and already.pk != join:
        raise Conflict("A visit to this machine is already open: go on with that one.", theirs=already)
    return already


def _opened(
    by: Person, machine: Machine, conditions: Conditions, opened_at: datetime, at: datetime, *, is_paper: bool
) -> Visit:
    fitted = _fitted(machine, opened_at)
    visit = Visit.objects.create(
        machine=machine,
        tooling_set=fitted.tooling_set if fitted else None,
        opened_by=by,
        opened_at=opened_at,
        from_paper=is_paper,
        **asdict(conditions),
    )
    audit.record(by=by, action="opened visit", obj=visit, at=at, after=audit.snapshot(visit))
    return visit


@transaction.atomic
def change_conditions(
    *, by: Person, visit: Visit, conditions: Conditions, note: str, version: int, at: datetime
) -> Visit:
    """Correct why and in what state; the version is the one the person saw. A machine that runs ends its lockout."""
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
    if fresh.machine_runs:
        lockouts.end_standing(by=by, visit=fresh, how=Lockout.Ended.RAN, ended_at=at, at=at)
    return fresh


@transaction.atomic
def sign_visit(
    *, by: Person, visit: Visit, at: datetime, seen: str | None = None, proof: str = Signature.Proof.SESSION
) -> Visit:
    """Sign and close; from now on only amendments can be added.

    seen   the record as the signer saw it (`signing.record.sealed`). Where it has changed since, nothing is signed:
           Conflict, with the differences in `theirs`. None signs what stands, for what no person looks at.
    proof  how the signer showed who they are
    """
    check_may(by, Permission.SIGN_VISIT, "Your role may not sign a visit.")
    fresh = locked_open_visit(visit, by)
    if not is_measured(fresh):
        raise Refused(SENTENCES[Code.NOTHING])
    record = record_of(fresh, units.of(by))
    if seen is not None:
        _check_seen(fresh, seen, record)
    close_stations(visit=fresh, at=at)
    freeze_advice(visit=fresh, unit=units.of(by), at=at)
    signature = Signature.objects.create(
        visit=fresh, name=str(by), role=by.role, proof=proof, digest=digest_of(record), names=names_of(fresh)
    )
    before = audit.snapshot(fresh)
    fresh.state = Visit.State.SIGNED
    fresh.signed_by = by
    fresh.signed_at = at
    fresh.version += 1
    fresh.save(update_fields=["state", "signed_by", "signed_at", "version"])
    after = {**audit.snapshot(fresh), "record": signature.digest, "proof": proof}
    audit.record(by=by, action="signed visit", obj=fresh, at=at, before=before, after=after)
    tell(fresh, at)
    return fresh


def _check_seen(visit: Visit, seen: str, record: list[Line]) -> None:
    changed = differences(visit, seen, record)
    if changed is None:
        raise Refused("What you saw is not known: look at what is signed, then sign it.")
    if changed:
        raise Conflict("It has changed since you looked: nothing is signed. Look at both below.", theirs=changed)


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
