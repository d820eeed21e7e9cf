"""How the lockout of a visit stands, and what is said where it does not."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property

from linelog.alignment.models import Lockout, PersonalLock, Visit

# What is said to somebody whose reading must wait; each whole, for the reader's language.
WAITING = {
    "none": "Before a static reading: verify the lockout. What you typed waits and is not lost.",
    Lockout.Ended.RETURNED: "The machine was returned to service: verify a new lockout. What you typed waits.",
    Lockout.Ended.RAN: "The machine was run, which ended the lockout: verify it again. What you typed waits.",
    Lockout.Ended.HANDED_OVER: "The lockout was handed over and not verified yet: verify it. What you typed waits.",
    Lockout.Ended.TEST: "The lockout was taken off for inching or a test: verify it again. What you typed waits.",
    Lockout.Ended.AGAIN: "The lockout is being verified anew: verify it. What you typed waits.",
    Lockout.Ended.BARE: "Every lock was taken off, which ended the lockout: verify it again. What you typed waits.",
    Lockout.Ended.SHIFT: "The shift changed, which ended the lockout: verify it again. What you typed waits.",
    Lockout.Ended.AGE: "The lockout reached its age: verify it again. What you typed waits and is not lost.",
}


@dataclass(frozen=True)
class LockoutStatus:
    """The lockouts of a visit as they are at a time."""

    at: dt.datetime
    lockouts: tuple[Lockout, ...]

    @property
    def latest(self) -> Lockout | None:
        """The one verified last."""
        return self.lockouts[-1] if self.lockouts else None

    @property
    def stands(self) -> bool:
        """Whether the latest stands."""
        return self.latest is not None and self.latest.stands_at(self.at)

    @property
    def end(self) -> tuple[dt.datetime, str] | None:
        """When and how the latest ended."""
        return self.latest.end_seen_at(self.at) if self.latest else None

    @property
    def ended_at(self) -> dt.datetime | None:
        """When the latest ended."""
        return self.end[0] if self.end else None

    @property
    def ended_how(self) -> str:
        """How the latest ended, as a label."""
        return Lockout.Ended(self.end[1]).label if self.end else ""

    @property
    def to_return(self) -> bool:
        """Whether a lockout was verified and the return to service is not written down."""
        return self.latest is not None and self.latest.returned_at is None

    @property
    def sentence(self) -> str:
        """What to say to somebody whose reading must wait."""
        return WAITING[Lockout.Ended(self.end[1]) if self.end else "none"]

    def mark(self, *, own: bool) -> str:
        """Return a short mark of what a page says of it; `own`: whether its reader has a lock on one that stands."""
        how = self.end[1] if self.end else f"stands-{own:d}"
        return f"{self.latest.pk if self.latest else 0}-{how}"

    @cached_property
    def locks(self) -> tuple[PersonalLock, ...]:
        """The locks on the latest, those taken off as well, and what still hangs from before it."""
        before = [lock for one in self.lockouts[:-1] for lock in one.locks.all() if lock.off_at is None]
        return (*before, *(self.latest.locks.all() if self.latest else ()))

    @property
    def locks_on(self) -> tuple[PersonalLock, ...]:
        """The locks that hang now, also those of a lockout that was handed over."""
        return tuple(lock for lock in self.locks if lock.off_at is None)

    def bare_at(self, at: dt.datetime) -> bool:
        """Say whether locks were written down, and every one of them was off by then."""
        locks = self.latest.locks.all() if self.latest else ()
        return bool(locks) and all(lock.off_at is not None and lock.off_at <= at for lock in locks)

    def has_lock_of(self, name: str) -> bool:
        """Say whether somebody of this name has a lock on it."""
        return any(lock.is_of(name) for lock in self.locks_on)


def status_of(visit: Visit, at: dt.datetime) -> LockoutStatus:
    """Return how the lockout of a visit stands at this time."""
    return LockoutStatus(at, tuple(visit.lockouts.order_by("verified_at", "pk").prefetch_related("locks")))
