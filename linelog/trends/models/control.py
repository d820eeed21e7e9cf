"""A signal of a machine against its line, and what was found behind it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from linelog.alignment.models import Visit
from linelog.plant.models import Machine
from linelog.plant.models.scoped import Scoped
from linelog.production.models import Finding


class Signal(models.Model):
    """One event. It is known by machine, count, rule, direction and day, so that a refit finds it again.

    Rates are per million cans. `day` is the production day that signalled, `began_on` the day from which the sum goes
    back, `back_on` the day on which the rate was seen to be back. `centre` is the rate that the line's other machines
    led to expect. Signals of the earlier rules held a machine against its own past; they are kept to be read.
    """

    class Rule(models.TextChoices):
        """What signalled."""

        LINE = "line", "Above what its line leads to expect"
        LIMIT = "limit", "Beyond the control limit (earlier rule)"
        EWMA = "ewma", "Weighted mean, EWMA (earlier rule)"
        CUSUM = "cusum", "Added up, CUSUM (earlier rule)"

    class Measure(models.TextChoices):
        """What is counted."""

        TEAR_OFFS = "tear_offs", "Tear-offs"
        SPOILED = "spoiled", "Spoiled"

    class Cause(models.TextChoices):
        """What was found behind it."""

        METAL = "metal", "Metal"
        ALIGNMENT = "alignment", "Alignment"
        TOOLING = "tooling", "Tooling"
        PRESSURE = "pressure", "Pressure or timing"
        LUBRICATION = "lubrication", "Lubrication or coolant"
        MECHANICAL = "mechanical", "Another part of the machine"
        COUNTING = "counting", "Counting error"
        NOT_FOUND = "not_found", "Looked at, not found"
        OTHER = "other", "Other: see the note"

    class Aside(models.TextChoices):
        """Why an unanswered signal is no longer one."""

        EARLIER_RULE = "rule", "raised by an earlier rule"
        NO_LONGER = "counts", "no longer one by today's counts and limits"

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="signals")
    measure = models.CharField(max_length=10, choices=Measure)
    rule = models.CharField(max_length=6, choices=Rule)
    up = models.BooleanField()
    day = models.DateField()
    by_week = models.BooleanField(default=False)
    began_on = models.DateField()
    back_on = models.DateField(null=True, blank=True)
    rate = models.FloatField(help_text="From the day it began to the day of the signal.")
    centre = models.FloatField(help_text="What was to be expected in that time.")
    limit = models.FloatField(null=True, help_text="Of the rate, where the rule has one.")
    counts = models.BigIntegerField()
    made = models.BigIntegerField()
    aside = models.CharField(max_length=6, choices=Aside, blank=True)
    refitted_at = models.DateTimeField()

    cause = models.CharField(max_length=11, choices=Cause, blank=True)
    found = models.CharField(max_length=400, blank=True, help_text="A note beside the cause.")
    owner = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    finding = models.ForeignKey(Finding, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    closed_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-day", "machine", "measure", "rule"]
        indexes = [models.Index(fields=["day"]), models.Index(fields=["machine", "day"])]
        constraints = [
            models.UniqueConstraint(
                fields=["machine", "measure", "rule", "up", "day"], name="one_signal_a_machine_rule_and_day"
            ),
            models.CheckConstraint(condition=Q(began_on__lte=models.F("day")), name="signal_begins_before_its_day"),
            models.CheckConstraint(
                condition=Q(back_on__isnull=True) | Q(back_on__gte=models.F("day")),
                name="signal_is_back_after_its_day",
            ),
            models.CheckConstraint(
                condition=(Q(cause="") & Q(closed_by__isnull=True) & Q(closed_at__isnull=True))
                | (~Q(cause="") & Q(closed_by__isnull=False) & Q(closed_at__isnull=False)),
                name="signal_closed_by_at_and_why_together",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.machine}: {self.get_measure_display()} {'up' if self.up else 'down'}, {self.day}"

    @property
    def is_answered(self) -> bool:
        """Whether somebody said what was found."""
        return bool(self.cause)
