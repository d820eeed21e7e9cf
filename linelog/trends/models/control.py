"""A signal of a control chart, and what was found behind it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from linelog.plant.models import Machine
from linelog.plant.models.scoped import Scoped


class Signal(models.Model):
    """One signal. It is known by machine, count, rule, direction and day, so that a refit finds it again.

    Rates are per million cans. `day` is the production day (or the Monday of the week) that signalled, `began_on` the
    day from which the rule says the change goes back.
    """

    class Rule(models.TextChoices):
        """Which chart signalled."""

        LIMIT = "limit", "Beyond the control limit"
        EWMA = "ewma", "Weighted mean (EWMA)"
        CUSUM = "cusum", "Added up (CUSUM)"

    class Measure(models.TextChoices):
        """What is counted."""

        TEAR_OFFS = "tear_offs", "Tear-offs"
        SPOILED = "spoiled", "Spoiled"

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="signals")
    measure = models.CharField(max_length=10, choices=Measure)
    rule = models.CharField(max_length=6, choices=Rule)
    up = models.BooleanField()
    day = models.DateField()
    by_week = models.BooleanField(default=False)
    began_on = models.DateField()
    rate = models.FloatField(help_text="From the day it began to the day of the signal.")
    centre = models.FloatField()
    limit = models.FloatField(null=True, help_text="Of the rate, where the rule has one.")
    counts = models.BigIntegerField()
    made = models.BigIntegerField()
    holds = models.BooleanField(default=True, help_text="Whether the counts as they stand still signal.")
    refitted_at = models.DateTimeField()

    found = models.CharField(max_length=400, blank=True)
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
                condition=(Q(found="") & Q(closed_by__isnull=True) & Q(closed_at__isnull=True))
                | (~Q(found="") & Q(closed_by__isnull=False) & Q(closed_at__isnull=False)),
                name="signal_closed_by_at_and_why_together",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.machine}: {self.get_measure_display()} {'up' if self.up else 'down'}, {self.day}"

    @property
    def is_open(self) -> bool:
        """Whether nobody has said yet what was found."""
        return not self.found
