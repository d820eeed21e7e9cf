"""Wall samples: the thickness round a can whose 12 o'clock is known, at one height or two, and what it came to."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from linelog.calc.wall import WallState
from linelog.plant.models import Machine, Station, ToolingSet
from linelog.plant.models.scoped import Scoped


class WallSample(models.Model):
    """One can. Its clock is that of the machine as the can was made; `view` is the end it was read from."""

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="wall_samples")
    taken_at = models.DateTimeField(help_text="When the can was made.")
    can = models.CharField(max_length=20, blank=True, help_text="Tells cans of the same minute apart.")
    tooling_set = models.ForeignKey(
        ToolingSet, on_delete=models.PROTECT, null=True, blank=True, related_name="+", help_text="Mounted then."
    )
    view = models.CharField(max_length=6, choices=Station.View, default=Station.View.CRANK)
    step_um = models.FloatField(help_text="Smallest step of the gauge.")
    unit = models.CharField(max_length=5, help_text="As typed.")
    note = models.CharField(max_length=200, blank=True)
    tilt_x_mm_per_m = models.FloatField(null=True, blank=True, help_text="How the thick side moves with height.")
    tilt_y_mm_per_m = models.FloatField(null=True, blank=True)
    tilt_expanded_mm_per_m = models.FloatField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(help_text="When it was entered.")
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-taken_at", "-id"]
        indexes = [models.Index(fields=["machine", "-taken_at"]), models.Index(fields=["-taken_at"])]
        constraints = [
            models.UniqueConstraint(fields=["machine", "taken_at", "can"], name="one_wall_sample_per_can"),
            models.CheckConstraint(condition=Q(step_um__gt=0), name="wall_gauge_step_positive"),
            models.CheckConstraint(
                condition=Q(
                    tilt_x_mm_per_m__isnull=True, tilt_y_mm_per_m__isnull=True, tilt_expanded_mm_per_m__isnull=True
                )
                | Q(
                    tilt_x_mm_per_m__isnull=False, tilt_y_mm_per_m__isnull=False, tilt_expanded_mm_per_m__isnull=False
                ),
                name="wall_tilt_is_whole",
            ),
        ]

    def __str__(self) -> str:
        return f"can {self.can} of {self.machine}" if self.can else f"can of {self.machine}"


class WallRing(models.Model):
    """What the readings at one height came to, with the plant's levels of that day and the version of the sums.

    `x_um`, `y_um` point to the thick side, seen from the crank: with stiff tools the die's centre less the punch's.
    """

    class State(models.TextChoices):
        """What the plant makes of the variation round the can."""

        GOOD = WallState.GOOD.value, "Good"
        FAIR = WallState.FAIR.value, "Fair"
        LOOK = WallState.LOOK.value, "Look"
        ACT = WallState.ACT.value, "Act"

    sample = models.ForeignKey(WallSample, on_delete=models.CASCADE, related_name="rings")
    height_mm = models.FloatField(help_text="Above the dome.")
    mean_um = models.FloatField()
    x_um = models.FloatField()
    y_um = models.FloatField()
    size_um = models.FloatField(help_text="Eccentricity e.")
    expanded_um = models.FloatField(help_text="Expanded uncertainty of e.")
    thin_deg = models.FloatField(null=True, help_text="Empty where e is within its own uncertainty.")
    thin_within_deg = models.FloatField(null=True)
    range_um = models.FloatField(help_text="Largest less smallest reading.")
    judged_um = models.FloatField(help_text="The larger of that and 2e.")
    state = models.CharField(max_length=4, choices=State)
    good_um = models.FloatField()
    look_um = models.FloatField()
    act_um = models.FloatField()
    algorithm = models.CharField(max_length=20)

    plant_path = "sample__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["sample", "height_mm"]
        constraints = [
            models.UniqueConstraint(fields=["sample", "height_mm"], name="one_ring_per_height"),
            models.CheckConstraint(
                condition=Q(height_mm__gte=0)
                & Q(mean_um__gt=0)
                & Q(size_um__gte=0)
                & Q(judged_um__gte=F("range_um")),
                name="wall_ring_possible",
            ),
            models.CheckConstraint(
                condition=Q(thin_deg__isnull=True, thin_within_deg__isnull=True)
                | Q(thin_deg__isnull=False, thin_within_deg__isnull=False),
                name="thin_side_with_its_uncertainty",
            ),
        ]

    def __str__(self) -> str:
        return f"wall {self.height_mm:g} mm above the dome"


class WallReading(models.Model):
    """One thickness, as typed and in um; the clock angle as it was read, from the sample's `view`."""

    ring = models.ForeignKey(WallRing, on_delete=models.CASCADE, related_name="readings")
    angle_deg = models.FloatField()
    value_um = models.FloatField()
    typed = models.CharField(max_length=24)

    class Meta:
        ordering = ["ring", "angle_deg"]
        constraints = [
            models.UniqueConstraint(fields=["ring", "angle_deg"], name="one_wall_reading_per_position"),
            models.CheckConstraint(
                condition=Q(angle_deg__gte=0) & Q(angle_deg__lt=360), name="wall_angle_on_the_clock"
            ),
            models.CheckConstraint(condition=Q(value_um__gt=0), name="wall_thickness_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.angle_deg:g}°: {self.typed}"
