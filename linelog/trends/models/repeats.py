"""A problem that comes back, as the rule last found it, and what people did about it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from linelog.plant.models import DefectCode, Machine, Station
from linelog.plant.models.scoped import Scoped
from linelog.production.models import SpoilageCause


class RepeatProblem(models.Model):
    """One problem of one machine. The refit keeps its figures up to date; what people wrote hangs on it."""

    class Kind(models.TextChoices):
        """What comes back."""

        STATION = "station", "A station found out"
        MACHINE = "machine", "All stations off together"
        CAUSE = "cause", "Spoilage of one cause"
        DEFECT = "defect", "Findings of one defect"

    class Pattern(models.TextChoices):
        """How it comes back."""

        SAME_WAY = "same_way", "the same way each time"
        SCATTERED = "scattered", "a different way each time"
        NOT_CLEAR = "not_clear", "no clear direction yet"
        UP = "up", "all stations high together"
        DOWN = "down", "all stations low together"
        SIDEWAYS = "sideways", "all stations to one side together"
        THERMAL = "thermal", "with the temperature"
        ABOVE = "above", "above what is usual"

    class Since(models.TextChoices):
        """Whether it came back since somebody took it up."""

        OPEN = "open", "not taken up"
        IN_WORK = "in_work", "in work"
        WAITING = "waiting", "not enough visits yet"
        BACK = "back", "came back"
        GONE = "gone", "has not come back"

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="repeat_problems")
    key = models.CharField(max_length=40, help_text="What it is about, so that a refit finds it again.")
    kind = models.CharField(max_length=8, choices=Kind)
    station = models.ForeignKey(Station, on_delete=models.CASCADE, null=True, blank=True, related_name="+")
    method = models.CharField(max_length=8, blank=True)
    cause = models.ForeignKey(SpoilageCause, on_delete=models.CASCADE, null=True, blank=True, related_name="+")
    code = models.ForeignKey(DefectCode, on_delete=models.CASCADE, null=True, blank=True, related_name="+")
    part_of = models.ForeignKey("self", on_delete=models.SET_NULL, null=True, blank=True, related_name="parts")

    pattern = models.CharField(max_length=10, choices=Pattern)
    times = models.PositiveIntegerField(help_text="Times among those looked at.")
    looked_at = models.PositiveIntegerField(help_text="As-found visits, or months, looked at.")
    mean_deg = models.FloatField(null=True, help_text="Mean direction of those times, clock degrees.")
    rayleigh_p = models.FloatField(null=True)
    plain_share = models.FloatField(null=True, help_text="Two visits in a row found it at this share of its limit.")
    plain_chance = models.FloatField(null=True, help_text="Chance of two such visits by luck, where that is enough.")
    comes_back_million = models.FloatField(null=True, help_text="Median strokes until it was found again, millions.")
    began_low = models.DateField(
        null=True, help_text="Began after this day (95 %); empty: may be older than the log."
    )
    began_on = models.DateField(null=True, help_text="The likeliest day on which it began.")
    began_high = models.DateField(null=True, help_text="Began before this day (95 %); empty: no day can be told.")
    noticed_on = models.DateField(help_text="The day of the visit, or of the month, at which the rule first held.")
    last_on = models.DateField(help_text="The last time.")
    holds = models.BooleanField(default=True, help_text="Whether the rule still holds.")
    since = models.CharField(max_length=8, choices=Since, default=Since.OPEN)
    refitted_at = models.DateTimeField()

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine", "key"]
        constraints = [
            models.UniqueConstraint(fields=["machine", "key"], name="one_repeat_problem_per_key"),
            models.CheckConstraint(
                condition=Q(times__lte=models.F("looked_at")), name="repeats_no_more_often_than_looked_at"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.machine}: {self.what}"

    @property
    def what(self) -> str:
        """Name what comes back."""
        if self.station is not None:
            return f"{self.station}{ {'running': ', running', 'bar': ', on the bar'}.get(self.method, '') }"
        if self.code is not None:
            return f"findings of {self.code}"
        return str(self.cause) if self.cause is not None else "all stations together"

    @property
    def is_by_month(self) -> bool:
        """Whether it is counted by month, not found by visits."""
        return self.kind in (self.Kind.CAUSE, self.Kind.DEFECT)


class TakeUp(models.Model):
    """Somebody took a problem up: whose it is and by when; in time the cause found, what was done and on which day.

    Without that day it is in work, with it done; whether that helped later visits say (`RepeatProblem.since`).
    """

    problem = models.ForeignKey(RepeatProblem, on_delete=models.PROTECT, related_name="take_ups")
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    due_on = models.DateField(null=True, help_text="By when it is to be done.")
    cause_found = models.CharField(max_length=400, blank=True)
    action = models.CharField(max_length=400, blank=True)
    action_on = models.DateField(null=True, help_text="Empty while it is in work.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    plant_path = "problem__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = [models.F("action_on").desc(nulls_first=True), "-id"]
        constraints = [
            models.CheckConstraint(condition=Q(action_on__isnull=True) | ~Q(action=""), name="take_up_done_says_what")
        ]

    def __str__(self) -> str:
        return f"{self.problem}, taken up {timezone.localtime(self.at):%Y-%m-%d}"

    @property
    def in_work(self) -> bool:
        """Whether it is still to be done."""
        return self.action_on is None
