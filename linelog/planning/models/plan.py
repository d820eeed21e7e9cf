"""When machines stand still, and which visits are planned for then."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass

from django.db import models
from django.db.models import F, Q
from django.utils.timezone import localtime

from linelog.alignment.models import Visit
from linelog.plant.models import Line, Machine, Plant
from linelog.plant.models.scoped import Scoped


class StopWindow(models.Model):
    """A time in which a line, a machine, or (neither given) the whole plant stands still."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="stop_windows")
    line = models.ForeignKey(Line, on_delete=models.CASCADE, null=True, blank=True, related_name="stop_windows")
    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, null=True, blank=True, related_name="stop_windows")
    starts_at = models.DateTimeField(db_index=True)
    ends_at = models.DateTimeField()
    crews = models.PositiveSmallIntegerField(default=1)
    note = models.CharField(max_length=80, blank=True)
    series = models.UUIDField(null=True, editable=False, db_index=True, help_text="Of stops that repeat weekly.")
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["starts_at", "pk"]
        constraints = [
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="stop_ends_after_it_starts"),
            models.CheckConstraint(condition=Q(crews__gte=1), name="stop_has_a_crew"),
            models.CheckConstraint(
                condition=Q(line__isnull=True) | Q(machine__isnull=True), name="stop_of_a_line_or_of_a_machine"
            ),
        ]

    def __str__(self) -> str:
        return f"stop of {self.of_what} from {localtime(self.starts_at):%Y-%m-%d}"

    @property
    def of_what(self) -> str:
        """Name what stands still."""
        return str(self.machine or self.line or "the whole plant")

    @property
    def hours(self) -> float:
        """How long it is."""
        return (self.ends_at - self.starts_at).total_seconds() / 3600.0


class CrewWeek(models.Model):
    """The crew's hours for alignment in a week in which they are not the plant's usual ones."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="crew_weeks")
    week = models.DateField(help_text="Its Monday.")
    hours = models.FloatField()
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["week"]
        constraints = [
            models.UniqueConstraint(fields=["plant", "week"], name="one_crew_of_a_week"),
            models.CheckConstraint(condition=Q(hours__gte=0), name="crew_hours_from_nought"),
        ]

    def __str__(self) -> str:
        return f"crew hours of the week of {self.week}"


@dataclass(frozen=True, slots=True)
class Stretch:
    """The time that a planned visit has in one stop."""

    window: StopWindow
    starts_at: dt.datetime
    hours: float

    @property
    def ends_at(self) -> dt.datetime:
        """When its work ends."""
        return self.starts_at + dt.timedelta(hours=self.hours)


class PlannedVisit(models.Model):
    """An alignment visit in the plan: of which week, in which stop, for how many hours.

    `sequence` grows with every change that a calendar must hear of. A machine has one open entry at a time; the
    signed visit that came of it closes it.
    """

    class State(models.TextChoices):
        """Where it stands."""

        PLANNED = "planned", "Planned"
        DONE = "done", "Done"
        CANCELLED = "cancelled", "Taken out"

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="planned_visits")
    week = models.DateField(help_text="The Monday of its week.")
    window = models.ForeignKey(StopWindow, on_delete=models.SET_NULL, null=True, related_name="planned_visits")
    starts_at = models.DateTimeField(null=True, help_text="Empty where the week has no stop for it.")
    hours = models.FloatField()
    reason = models.CharField(max_length=300, help_text="Why it was due when it was planned.")
    is_pinned = models.BooleanField(default=False, help_text="Stays where it is when the plan is worked out again.")
    state = models.CharField(max_length=9, choices=State, default=State.PLANNED)
    visit = models.OneToOneField(Visit, on_delete=models.PROTECT, null=True, related_name="planned_as")
    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    sequence = models.PositiveIntegerField(default=0)
    made_at = models.DateTimeField()
    changed_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["week", "starts_at", "pk"]
        indexes = [models.Index(fields=["state", "week"])]
        constraints = [
            models.UniqueConstraint(
                fields=["machine"], condition=Q(state="planned"), name="one_open_entry_of_a_machine"
            ),
            models.CheckConstraint(
                condition=Q(state="done", visit__isnull=False) | (~Q(state="done") & Q(visit__isnull=True)),
                name="entry_is_done_by_a_visit",
            ),
            models.CheckConstraint(condition=Q(hours__gt=0), name="entry_takes_time"),
        ]

    def __str__(self) -> str:
        return f"{self.machine}, week of {self.week}"

    @property
    def stretches(self) -> tuple[Stretch, ...]:
        """Its time in each stop that it takes, in order; none where its week has no stop for it."""
        if self.window is None or self.starts_at is None:
            return ()
        later = [Stretch(part.window, part.starts_at, part.hours) for part in self.parts.all()]
        return (Stretch(self.window, self.starts_at, self.hours - sum(one.hours for one in later)), *later)


class PlannedPart(models.Model):
    """What a planned visit does in a stop after its first: where none of its week takes it whole."""

    entry = models.ForeignKey(PlannedVisit, on_delete=models.CASCADE, related_name="parts")
    window = models.ForeignKey(StopWindow, on_delete=models.CASCADE, related_name="parts")
    starts_at = models.DateTimeField()
    hours = models.FloatField()

    plant_path = "entry__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["starts_at", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["entry", "window"], name="one_part_of_a_visit_in_a_stop"),
            models.CheckConstraint(condition=Q(hours__gt=0), name="part_takes_time"),
        ]

    def __str__(self) -> str:
        return f"part of {self.entry} from {localtime(self.starts_at):%Y-%m-%d}"
