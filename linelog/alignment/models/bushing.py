"""What is measured of a bushing: its clearance, its position against what does not ride on it, and its renewals."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from linelog.alignment.models.sweep import Stage
from linelog.alignment.models.visit import Visit
from linelog.calc.clearance import OtherEnd
from linelog.plant.models import Station
from linelog.plant.models.scoped import Scoped

VERDICTS = ("in", "not proven", "out")


class BushingClearance(models.Model):
    """The full travel of the ram between its stops, up and down and left and right, and the clearances they come to.

    Clearances are diametral. The larger is judged against the wear limit of that day; `verdict` is empty while one
    direction is still to be measured and the other does not prove it worn out alone. `other_*` are the clearances of
    the other bushing that the lever was worked out with, where the dial stood away from this one.
    """

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="clearances")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    stage = models.CharField(max_length=8, choices=Stage)
    up_down_um = models.FloatField(null=True, help_text="Travel of the dial from stop to stop.")
    left_right_um = models.FloatField(null=True)
    unit = models.CharField(max_length=5)
    resolution_um = models.FloatField(default=10.0)
    dial_z_mm = models.FloatField(null=True, help_text="Where the dial stood; null: beside the bushing.")
    other_end = models.CharField(
        max_length=8, choices=[(each.value, each.value) for each in OtherEnd], default="rocks"
    )
    other_up_down_um = models.FloatField(null=True)
    other_left_right_um = models.FloatField(null=True)

    clearance_up_down_um = models.FloatField(null=True)
    clearance_left_right_um = models.FloatField(null=True)
    clearance_um = models.FloatField(help_text="The larger of those measured.")
    expanded_um = models.FloatField(help_text="Of that one, at 95.45 %.")
    limit_um = models.FloatField()
    verdict = models.CharField(max_length=12, blank=True)
    severity = models.FloatField()
    algorithm = models.CharField(max_length=20)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    plant_path = "visit__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["visit", "station", "stage"]
        indexes = [models.Index(fields=["station", "at"])]
        constraints = [
            models.UniqueConstraint(fields=["visit", "station", "stage"], name="one_clearance_per_bushing_and_stage"),
            models.CheckConstraint(
                condition=Q(up_down_um__gte=0) | Q(left_right_um__gte=0), name="clearance_has_a_travel"
            ),
            models.CheckConstraint(
                condition=(Q(up_down_um__isnull=True) & Q(clearance_up_down_um__isnull=True))
                | (Q(up_down_um__gte=0) & Q(clearance_up_down_um__gte=0)),
                name="clearance_up_down_is_whole",
            ),
            models.CheckConstraint(
                condition=(Q(left_right_um__isnull=True) & Q(clearance_left_right_um__isnull=True))
                | (Q(left_right_um__gte=0) & Q(clearance_left_right_um__gte=0)),
                name="clearance_left_right_is_whole",
            ),
            models.CheckConstraint(
                condition=Q(limit_um__gt=0) & Q(resolution_um__gt=0) & Q(expanded_um__gte=0),
                name="clearance_limit_positive",
            ),
            models.CheckConstraint(condition=Q(verdict__in=["", *VERDICTS]), name="clearance_verdict_known"),
        ]

    def __str__(self) -> str:
        return f"{self.station}, clearance {self.get_stage_display().lower()}"


class BushingPosition(models.Model):
    """Where a bushing stands off a line that does not ride on it: x right and y up in um, seen from the crank."""

    class Reference(models.TextChoices):
        """What it was measured from."""

        CROSSHEAD = "crosshead", "Crosshead"
        BED = "bed", "Bed"
        LIGHT = "light", "Light line"
        WIRE = "wire", "Wire line"
        OTHER = "other", "Something else"

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="bushing_positions")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    stage = models.CharField(max_length=8, choices=Stage)
    reference = models.CharField(max_length=10, choices=Reference)
    reference_note = models.CharField(max_length=80, blank=True)
    x_um = models.FloatField()
    y_um = models.FloatField()
    expanded_um = models.FloatField(help_text="Of each axis, about 95 %.")
    view = models.CharField(max_length=6, choices=Station.View)
    unit = models.CharField(max_length=5)
    limit_um = models.FloatField()
    verdict = models.CharField(max_length=12)
    severity = models.FloatField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    plant_path = "visit__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["visit", "station", "stage"]
        indexes = [models.Index(fields=["station", "at"])]
        constraints = [
            models.UniqueConstraint(fields=["visit", "station", "stage"], name="one_position_per_bushing_and_stage"),
            models.CheckConstraint(condition=Q(expanded_um__gt=0) & Q(limit_um__gt=0), name="position_has_its_doubt"),
            models.CheckConstraint(condition=Q(verdict__in=VERDICTS), name="position_verdict_known"),
            models.CheckConstraint(
                condition=~Q(reference="other") | ~Q(reference_note=""), name="position_says_what_else"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.station}, position {self.get_stage_display().lower()}"


class BushingFitted(models.Model):
    """A new bushing: from that day its clearance begins anew. What was found in the same visit is of the old one."""

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="bushings_fitted")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    fitted_on = models.DateField()
    note = models.CharField(max_length=120, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    plant_path = "visit__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["fitted_on", "id"]
        constraints = [
            models.UniqueConstraint(fields=["visit", "station"], name="one_bushing_fitted_per_place_and_visit")
        ]

    def __str__(self) -> str:
        return f"{self.station}, new on {self.fitted_on}"
