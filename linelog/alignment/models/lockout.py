"""The lockouts of a visit: who verified each, whose locks hung on it, how it ended, and the return to service."""

from __future__ import annotations

import datetime as dt

from django.conf import settings
from django.db import models
from django.db.models import Q

from linelog.alignment.models.visit import Visit


class Lockout(models.Model):
    """One lockout from its verification to its end. A visit may have several, one after the other.

    It stands until somebody ends it, at the latest until `runs_out_at`, which was settled when it was verified.
    The return to service is written down apart from the end: a lockout that ran out is still hung with locks.
    """

    class RunsOut(models.TextChoices):
        """What ends it where nobody does."""

        SHIFT = "shift", "The shift changes"
        AGE = "age", "Its age"

    class Ended(models.TextChoices):
        """How it ended."""

        RETURNED = "returned", "Returned to service"
        RAN = "ran", "The machine was run"
        HANDED_OVER = "handed_over", "Handed over to the next shift"
        TEST = "test", "Taken off for powered inching or a test"
        AGAIN = "again", "Verified anew"
        BARE = "bare", "Every lock was taken off"
        SHIFT = "shift", "The shift changed"
        AGE = "age", "It reached its longest age"

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="lockouts")
    verified_by = models.CharField(max_length=80)
    verified_at = models.DateTimeField()
    procedure = models.CharField(max_length=60, blank=True, help_text="Number of the site's own procedure.")
    logged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", help_text="Who wrote it down."
    )
    logged_at = models.DateTimeField()
    runs_out_at = models.DateTimeField()
    runs_out_why = models.CharField(max_length=5, choices=RunsOut, default=RunsOut.AGE)

    ended_at = models.DateTimeField(null=True, blank=True)
    ended_how = models.CharField(max_length=11, choices=Ended, blank=True)

    returned_by = models.CharField(max_length=80, blank=True)
    returned_at = models.DateTimeField(null=True, blank=True)
    tools_counted = models.BooleanField(default=False, help_text="Indicator, bar and fittings out and counted.")
    guards_closed = models.BooleanField(default=False)
    people_clear = models.BooleanField(default=False, help_text="Each took off their own lock and is clear.")

    class Meta:
        ordering = ["verified_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["visit"], condition=Q(ended_at__isnull=True), name="one_lockout_of_a_visit_not_ended"
            ),
            models.CheckConstraint(condition=~Q(verified_by=""), name="lockout_verified_by_somebody"),
            models.CheckConstraint(
                condition=Q(runs_out_at__gt=models.F("verified_at")), name="lockout_runs_out_after_it_is_verified"
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True, ended_how="") | (Q(ended_at__isnull=False) & ~Q(ended_how="")),
                name="lockout_ended_at_and_how_together",
            ),
            models.CheckConstraint(
                condition=Q(returned_at__isnull=True, returned_by="")
                | (
                    Q(returned_at__isnull=False, ended_at__isnull=False)
                    & Q(tools_counted=True, guards_closed=True, people_clear=True)
                    & ~Q(returned_by="")
                ),
                name="lockout_returned_by_and_at_together_and_checked",
            ),
        ]

    def __str__(self) -> str:
        return f"lockout of {self.visit}"

    def stands_at(self, at: dt.datetime) -> bool:
        """Say whether it had neither been ended nor run out at this time."""
        return at < self.runs_out_at and (self.ended_at is None or at < self.ended_at)

    def end_seen_at(self, at: dt.datetime) -> tuple[dt.datetime, str] | None:
        """Return when and how it had ended by this time (also by the clock alone), or None where it still stood."""
        if self.ended_at is not None and self.ended_at <= at:
            return self.ended_at, self.ended_how
        return None if at < self.runs_out_at else (self.runs_out_at, self.runs_out_why)


class PersonalLock(models.Model):
    """The lock that one person hung on a lockout, and took off again: nobody takes off another's."""

    lockout = models.ForeignKey(Lockout, on_delete=models.CASCADE, related_name="locks")
    name = models.CharField(max_length=80)
    number = models.CharField(max_length=30, blank=True, help_text="Of the lock or tag.")
    on_at = models.DateTimeField()
    off_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["on_at", "id"]
        constraints = [
            models.CheckConstraint(condition=~Q(name=""), name="personal_lock_has_a_name"),
            models.CheckConstraint(
                condition=Q(off_at__isnull=True) | Q(off_at__gte=models.F("on_at")), name="personal_lock_off_after_on"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name}, lock {self.number}" if self.number else self.name

    def is_of(self, name: str) -> bool:
        """Whether it is the lock of somebody of this name."""
        return self.name.casefold() == name.strip().casefold()
