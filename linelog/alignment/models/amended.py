"""What an amendment says of single readings, and what the sweep then comes to."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from linelog.alignment.models.sweep import Reading, Seat
from linelog.alignment.models.visit import Amendment
from linelog.web.units import show_typed


class AmendedReading(models.Model):
    """A reading of a signed visit as it should have been typed; the first one stays as it is."""

    amendment = models.ForeignKey(Amendment, on_delete=models.PROTECT, related_name="readings")
    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="amended")
    value_um = models.FloatField()
    typed = models.CharField(max_length=24)
    unit = models.CharField(max_length=5)

    class Meta:
        ordering = ["amendment", "id"]
        constraints = [
            models.UniqueConstraint(fields=["amendment", "reading"], name="one_word_on_a_reading_per_amendment"),
            models.CheckConstraint(
                condition=Q(value_um__gte=-50_000) & Q(value_um__lte=50_000), name="amended_reading_within_any_dial"
            ),
        ]

    def __str__(self) -> str:
        return show_typed(self.typed, self.unit)


class AmendedResult(models.Model):
    """What a seat comes to with the amended readings, judged by the limits of the day it was signed; um and mm/m."""

    amendment = models.ForeignKey(Amendment, on_delete=models.PROTECT, related_name="results")
    seat = models.CharField(max_length=5, choices=Seat, default=Seat.SINGLE, blank=True)
    x_um = models.FloatField()
    y_um = models.FloatField()
    radial_um = models.FloatField()
    expanded_um = models.FloatField(help_text="Of the radial offset.")
    u_x_um = models.FloatField(null=True, help_text="Standard uncertainty across; of earlier rows not known.")
    u_y_um = models.FloatField(null=True, help_text="Standard uncertainty up; of earlier rows not known.")
    tilt_x_mm_per_m = models.FloatField(null=True)
    tilt_y_mm_per_m = models.FloatField(null=True)
    tilt_expanded_mm_per_m = models.FloatField(null=True)
    verdict = models.CharField(max_length=12)
    severity = models.FloatField()
    algorithm = models.CharField(max_length=20)

    class Meta:
        ordering = ["amendment", "seat"]
        constraints = [
            models.UniqueConstraint(fields=["amendment", "seat"], name="one_amended_result_per_seat"),
            models.CheckConstraint(
                condition=Q(verdict__in=["in", "not proven", "out"]), name="amended_result_verdict_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.amendment}: {self.verdict}"
