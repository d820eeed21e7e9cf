"""Records that belong to every page: the history, the keys of writes, background jobs."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q


class AuditEvent(models.Model):
    """One line of history. No foreign keys: it must outlive what it speaks of."""

    at = models.DateTimeField(db_index=True)
    actor_id = models.BigIntegerField(null=True)
    actor_name = models.CharField(max_length=150)
    plant_id = models.BigIntegerField(null=True, db_index=True)
    action = models.CharField(max_length=60)
    object_type = models.CharField(max_length=60)
    object_id = models.CharField(max_length=40)
    object_label = models.CharField(max_length=200)
    before = models.JSONField(null=True)
    after = models.JSONField(null=True)
    request_id = models.CharField(max_length=32)

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [
            models.Index(fields=["object_type", "object_id"]),
            models.Index(fields=["plant_id", "-at", "-id"], name="history_of_a_plant"),
        ]

    def __str__(self) -> str:
        return f"{self.actor_name}: {self.action} {self.object_label}"


class WriteKey(models.Model):
    """A key that a tablet gave with a write: sent twice, it is stored once."""

    actor_id = models.BigIntegerField()
    key = models.CharField(max_length=64)
    digest = models.CharField(max_length=64)
    answer = models.JSONField(null=True)
    at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["actor_id", "key"], name="one_write_per_key")]

    def __str__(self) -> str:
        return self.key


class Job(models.Model):
    """Work in the background, with its progress, its heartbeat and a wish to cancel."""

    class State(models.TextChoices):
        """Where the work stands."""

        WAITING = "waiting"
        WORKING = "working"
        DONE = "done"
        FAILED = "failed"
        CANCELLED = "cancelled"

    plant_id = models.BigIntegerField(null=True, db_index=True)
    kind = models.CharField(max_length=40)
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    done = models.BigIntegerField(default=0)
    total = models.BigIntegerField(default=0)
    message = models.CharField(max_length=500, blank=True)
    cancel_wanted = models.BooleanField(default=False)
    created_at = models.DateTimeField()
    started_at = models.DateTimeField(null=True)
    heartbeat_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    started_by_id = models.BigIntegerField(null=True)
    started_by_name = models.CharField(max_length=150, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0, help_text="How often a worker has taken it up.")
    page = models.CharField(max_length=200, blank=True, help_text="Where its outcome is shown.")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=Q(done__gte=0) & Q(total__gte=0), name="job_counts_not_negative"),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("created_at")),
                name="job_ends_after_start",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk}"

    @property
    def is_stopping(self) -> bool:
        """Whether somebody asked it to stop and the worker has not yet done so."""
        return self.cancel_wanted and not self.is_over

    @property
    def is_over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in {self.State.DONE, self.State.FAILED, self.State.CANCELLED}

    @property
    def percent(self) -> int:
        """Progress as a whole number from 0 to 100."""
        return min(100, round(100 * self.done / self.total)) if self.total else 0


class WorkerBeat(models.Model):
    """A background worker's sign of life."""

    name = models.CharField(max_length=80, unique=True)
    at = models.DateTimeField()

    class Meta:
        ordering = ["-at"]

    def __str__(self) -> str:
        return self.name


class Tablet(models.Model):
    """A device that was signed in to be shared, and the wrong PINs typed on it."""

    account_id = models.BigIntegerField()
    plant_id = models.BigIntegerField(db_index=True)
    signed_in_at = models.DateTimeField()
    failures = models.PositiveSmallIntegerField(default=0)
    failed_at = models.DateTimeField(null=True)
    locked_until = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"shared tablet {self.pk}"


class PinTries(models.Model):
    """The wrong PINs typed for a person on one shared tablet."""

    person_id = models.BigIntegerField()
    tablet_id = models.BigIntegerField()
    failures = models.PositiveSmallIntegerField(default=0)
    failed_at = models.DateTimeField(null=True)
    locked_until = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["person_id", "tablet_id"], name="one_row_of_tries_per_tablet")]

    def __str__(self) -> str:
        return f"person {self.person_id} on tablet {self.tablet_id}"


class NightlyRun(models.Model):
    """The night's work of a plant: offered once a night, and when all of it was done."""

    plant_id = models.BigIntegerField()
    night = models.DateField()
    job_id = models.BigIntegerField()
    offered_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["plant_id", "night"], name="one_run_a_plant_and_night")]

    def __str__(self) -> str:
        return f"night of {self.night}"
