"""The life of a lockout: verified, hung with each person's lock, ended, the machine returned to service."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction

from linelog.alignment.lockout import LockoutStatus, status_of
from linelog.alignment.models import Lockout, PersonalLock, Reading, Visit
from linelog.alignment.services.guard import check_may, locked_open_visit
from linelog.plant.lockout import life_of
from linelog.plant.models import Person
from linelog.web import audit, writes
from linelog.web.errors import Refused
from linelog.web.permissions import Permission

AHEAD = timedelta(minutes=2)  # clocks of tablets and servers differ by so much
STILL_AT_WORK = timedelta(minutes=10)  # who typed so lately may stand in the machine; common practice, no source
Ended = Lockout.Ended
BY_HAND = frozenset({Ended.RAN, Ended.TEST})


@dataclass(frozen=True, slots=True)
class Verification:
    """Who verified a lockout, when (None for the moment it was said), by which procedure, with which lock."""

    verified_by: str
    verified_at: datetime | None = None
    procedure: str = ""
    lock: str = ""
    handed_over: bool = False


@dataclass(frozen=True, slots=True)
class Return:
    """The return to service: who says so, and what was looked at."""

    returned_by: str
    tools_counted: bool
    guards_closed: bool
    people_clear: bool
    locks_off: frozenset[int] = field(default_factory=frozenset)
    spoken_to: bool = False


@dataclass(frozen=True, slots=True)
class AtWork:
    """Somebody else who typed a reading in a visit a moment ago, and when."""

    person: Person
    at: datetime

    def minutes_ago(self, now: datetime) -> int:
        """Whole minutes since then."""
        return max(int((now - self.at) / timedelta(minutes=1)), 0)


def lately_at_work(visit: Visit, by: Person, now: datetime) -> AtWork | None:
    """Return who else typed a reading here in the last minutes; None where nobody did, or it is copied from paper."""
    if visit.from_paper:
        return None
    typed = Reading.objects.filter(sweep__visit=visit, at__gt=now - STILL_AT_WORK).exclude(by=by)
    last = typed.select_related("by").order_by("-at").first()
    return AtWork(last.by, last.at) if last else None


def require_lockout(visit: Visit, taken_at: datetime, lockouts: tuple[Lockout, ...] | None = None) -> None:
    """Refuse a static reading that was taken while no lockout stood.

    Running measurements and records copied from paper need none. `taken_at` is when it was typed, which on a tablet
    without a connection may be hours before it arrives. `lockouts` are those of the visit, where they are in hand.
    """
    if visit.machine_runs:
        raise Refused("The machine is logged as running: a dial is only set up on a stopped, locked-out machine.")
    if visit.from_paper:
        return
    status = status_of(visit, taken_at) if lockouts is None else LockoutStatus(taken_at, lockouts)
    # The clocks of two messages differ a little: what was typed right after the lockout may seem to come before it.
    stood = any(one.stands_at(taken_at) and one.verified_at <= taken_at + AHEAD for one in status.lockouts)
    if not stood:
        raise Refused(status.sentence, field="lockout")
    if status.bare_at(taken_at):
        raise Refused("Every lock was taken off: whoever works on the machine hangs a lock first.", field="lockout")


def require_lockout_to_move(visit: Visit, made_at: datetime) -> None:
    """Refuse a move logged as it was offered for a time at which no lockout stood; a record from paper needs none."""
    if visit.from_paper or visit.machine_runs:
        return
    if not any(one.stands_at(made_at) for one in visit.lockouts.all()):
        raise Refused(
            "No lockout stood then, so nothing is logged as made. Verify the lockout before anything is moved; "
            "what was moved under an earlier one is logged in its own words.",
            field="lockout",
        )


def _settled(visit: Visit, given: Verification, said_at: datetime, at: datetime) -> Lockout:
    verified_at = given.verified_at or said_at
    if verified_at > at + AHEAD:
        raise Refused("The lockout can't have been verified in the future.", field="lockout_verified_at")
    life = life_of(visit.machine, verified_at)
    if life.until <= said_at:
        raise Refused("That lockout has run out since: verify it again now.", field="lockout_verified_at")
    return Lockout(
        visit=visit,
        verified_by=given.verified_by,
        verified_at=verified_at,
        procedure=given.procedure,
        runs_out_at=life.until,
        runs_out_why=life.why.value,
    )


def begin(*, by: Person, visit: Visit, given: Verification, at: datetime, said_at: datetime | None = None) -> Lockout:
    """Store a verified lockout of a visit that the caller holds; what stood before ends with it."""
    if visit.machine_runs:
        raise Refused("The machine is logged as running: say that it is stopped before you lock it out.")
    new = _settled(visit, given, said_at or at, at)
    last = visit.lockouts.order_by("verified_at", "pk").last()
    if last is not None and last.verified_at - AHEAD <= new.verified_at < last.verified_at:
        new.verified_at = last.verified_at  # typed to the minute
    if last is not None and new.verified_at < last.verified_at:
        raise Refused(
            "A later lockout is written down already: give the time of this one.", field="lockout_verified_at"
        )
    if last is not None and last.ended_at is None:
        how = Ended.HANDED_OVER if given.handed_over else Ended.AGAIN
        _end(by, last, max(new.verified_at, last.verified_at), how, at)
    new.logged_by, new.logged_at = by, at
    new.save(force_insert=True)
    if given.lock:
        status = status_of(visit, at)
        _refuse_shared(status, given.verified_by, given.lock, "lockout_lock")
        for lock in status.locks_on:
            if lock.is_of(given.verified_by):
                _taken_off(by, lock, new.verified_at)  # the same person's, written down anew
        PersonalLock.objects.create(lockout=new, name=given.verified_by, number=given.lock, on_at=new.verified_at)
    after = {**audit.snapshot(new), "lock": given.lock}
    audit.record(by=by, action="verified lockout", obj=new, at=at, after=after)
    return new


def _end(by: Person, lockout: Lockout, ended_at: datetime, how: str, at: datetime) -> None:
    """End a lockout; one that had run out before ended then, whatever is said now."""
    before = audit.snapshot(lockout)
    if lockout.runs_out_at <= ended_at:
        ended_at, how = lockout.runs_out_at, lockout.runs_out_why
    lockout.ended_at, lockout.ended_how = ended_at, how
    lockout.save(update_fields=["ended_at", "ended_how"])
    after = audit.snapshot(lockout)
    audit.record(by=by, action="ended lockout", obj=lockout, at=at, before=before, after=after)


def verify_lockout(
    *, by: Person, visit: Visit, given: Verification, at: datetime, said_at: datetime | None = None, key: str = ""
) -> None:
    """Write down a verified lockout; the one that stood ends, handed over or verified anew.

    `said_at` is when it was said on a tablet that sends it later.
    """

    def write() -> None:
        begin(by=by, visit=locked_open_visit(visit, by), given=given, at=at, said_at=said_at)

    writes.once(by=by, key=key, content=[visit.pk, "lockout", asdict(given)], at=at, write=write)


def end_standing(*, by: Person, visit: Visit, how: str, ended_at: datetime, at: datetime) -> None:
    """End whatever lockout of a held visit is not ended yet; nothing happens where there is none."""
    last = visit.lockouts.filter(ended_at__isnull=True).order_by("verified_at", "pk").last()
    if last is not None:
        _end(by, last, max(ended_at, last.verified_at), how, at)


@transaction.atomic
def end_lockout(*, by: Person, visit: Visit, how: str, at: datetime, clear: bool = False) -> None:
    """Say that the machine was run, or that the lockout was taken off for powered inching or a test.

    clear  said before power comes on: everybody is out, and each took off their own lock
    Barring by hand is done under lockout and does not end it.
    """
    fresh = locked_open_visit(visit, by)
    if how not in BY_HAND:
        raise Refused("Say how the lockout ended.", field="how")
    status = status_of(fresh, at)
    if not status.stands:
        raise Refused("No lockout stands that could be ended.", field="how")
    if how == Ended.TEST and not clear:
        raise Refused(
            "Before power comes on, everybody is out and clear and each took off their own lock: say so first.",
            field="clear",
        )
    for lock in status.locks_on if how == Ended.TEST else ():
        _taken_off(by, lock, at)
    end_standing(by=by, visit=fresh, how=how, ended_at=at, at=at)


def _latest_to_return(visit: Visit) -> Lockout:
    last = visit.lockouts.order_by("verified_at", "pk").last()
    if last is None:
        raise Refused("No lockout of this visit is written down.")
    if last.returned_at is not None:
        raise Refused("The return to service is written down already.")
    return last


def _refuse_shared(status: LockoutStatus, name: str, number: str, where: str) -> None:
    """Refuse the number of a lock that hangs as somebody else's: two people on one lock leave one without."""
    for lock in status.locks_on:
        if number.strip() and lock.number.casefold() == number.strip().casefold() and not lock.is_of(name):
            raise Refused(f"Lock {lock.number} hangs as the lock of {lock.name}: each hangs their own.", field=where)


@transaction.atomic
def put_lock(*, by: Person, visit: Visit, name: str, number: str, at: datetime) -> PersonalLock:
    """Write down that a person hung a lock of their own on the lockout."""
    fresh = locked_open_visit(visit, by)
    status = status_of(fresh, at)
    if not status.stands or status.latest is None:
        raise Refused(status.sentence, field="name")
    if status.has_lock_of(name):
        raise Refused(f"The lock of {name} is written down already.", field="name")
    _refuse_shared(status, name, number, "number")
    lock = PersonalLock.objects.create(lockout=status.latest, name=name.strip(), number=number.strip(), on_at=at)
    audit.record(by=by, action="hung own lock", obj=lock, at=at, after=audit.snapshot(lock))
    return lock


def _taken_off(by: Person, lock: PersonalLock, at: datetime) -> None:
    before = audit.snapshot(lock)
    lock.off_at = max(at, lock.on_at)
    lock.save(update_fields=["off_at"])
    action = "took own lock off" if lock.is_of(str(by)) else "wrote down another's lock as off"
    audit.record(by=by, action=action, obj=lock, at=at, before=before, after=audit.snapshot(lock))


@transaction.atomic
def take_lock_off(*, by: Person, visit: Visit, lock_id: int, at: datetime, spoken_to: bool = False) -> None:
    """Write down that a person took their own lock off; of another's, that they were spoken to.

    The last lock that comes off ends the lockout: hung again it is verified again.
    """
    held = _held(by, visit)
    lock = PersonalLock.objects.filter(pk=lock_id, lockout__visit=held, off_at__isnull=True).first()
    if lock is None:
        raise Refused("This lock is off already.")
    if not lock.is_of(str(by)) and not spoken_to:
        raise Refused(f"This is the lock of {lock.name}, who alone takes it off: speak to them first.")
    _taken_off(by, lock, at)
    if not status_of(held, at).locks_on:  # from here on anybody may put the power on: what was verified holds no more
        end_standing(by=by, visit=held, how=Ended.BARE, ended_at=at, at=at)


def _held(by: Person, visit: Visit) -> Visit:
    """Return the visit held for this transaction, signed or not: a machine may be returned after the signature."""
    check_may(by, Permission.LOG_VISIT, "Your role may read visits but not log them.")
    return Visit.objects.select_for_update().get(pk=visit.pk)


@transaction.atomic
def return_to_service(*, by: Person, visit: Visit, given: Return, at: datetime) -> Lockout:
    """Write down the return to service: tools out and counted, guards closed, everybody clear, own locks off.

    It ends the lockout where that still stands, and may follow the signature.
    """
    last = _latest_to_return(_held(by, visit))
    for name, sentence in (
        ("tools_counted", "Indicator, bar and fittings must be out and counted first."),
        ("guards_closed", "The guards must be closed first."),
        ("people_clear", "Everybody must be clear of the machine first."),
    ):
        if not getattr(given, name):
            raise Refused(sentence, field=name)
    other = lately_at_work(visit, by, at)
    if other is not None and not given.spoken_to:
        raise Refused(
            f"{other.person} typed a reading here {other.minutes_ago(at)} minutes ago: speak to them first, and see "
            "that they are clear of the machine.",
            field="spoken_to",
        )
    hanging = status_of(visit, at).locks_on
    left = [str(lock) for lock in hanging if lock.pk not in given.locks_off]
    if left:
        raise Refused(f"Still on: {', '.join(left)}. Each takes off their own lock.", field="locks_off")
    for lock in hanging:
        _taken_off(by, lock, at)
    if last.ended_at is None:
        _end(by, last, at, Ended.RETURNED, at)
    return _returned(by, last, given, at)


def _returned(by: Person, lockout: Lockout, given: Return, at: datetime) -> Lockout:
    before = audit.snapshot(lockout)
    facts: dict[str, Any] = {
        "returned_by": given.returned_by.strip(),
        "returned_at": at,
        "tools_counted": True,
        "guards_closed": True,
        "people_clear": True,
    }
    for name, value in facts.items():
        setattr(lockout, name, value)
    lockout.save(update_fields=list(facts))
    after = audit.snapshot(lockout)
    audit.record(by=by, action="returned to service", obj=lockout, at=at, before=before, after=after)
    return lockout
