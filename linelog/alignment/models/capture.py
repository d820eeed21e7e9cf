"""Running captures: the saved set-up of a ring of probes, files recorded with it, and what they came to."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from linelog.alignment.models.sweep import Seat, Stage
from linelog.alignment.models.visit import Visit
from linelog.plant.models import Machine, Plant, Station
from linelog.plant.models.scoped import Scoped
from linelog.web.models import Job

#: A week: whoever tells more since the start means something else.
MOST_MINUTES = 10_080


class ProbeSetup(models.Model):
    """A ring of probes as it is fitted to a machine, and the columns its recorder writes."""

    class CommonGap(models.TextChoices):
        """Whether growth of the diameter is solved for beside the place of the ram."""

        AUTO = "", "With three probes or more"
        YES = "yes", "Always"
        NO = "no", "Never"

    class TimeUnit(models.TextChoices):
        """The unit of the time column."""

        SECOND = "s", "Seconds"
        MILLISECOND = "ms", "Milliseconds"
        MICROSECOND = "us", "Microseconds"

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="probe_setups")
    name = models.CharField(max_length=60)
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+", help_text="Carries the ring.")
    z_mm = models.FloatField(help_text="Of the plane of the probes along the ram.")
    target = models.CharField(max_length=80, blank=True, help_text="What the probes look at.")
    target_factor = models.FloatField(default=1.0, help_text="Multiplies every scale.")
    gap_mm = models.FloatField(null=True, blank=True, help_text="Gap at rest, for who fits the probes.")
    common_gap = models.CharField(max_length=3, choices=CommonGap, default=CommonGap.AUTO, blank=True)
    view = models.CharField(max_length=6, choices=Station.View, default=Station.View.CRANK)
    file_unit = models.CharField(max_length=12, default="V", help_text="Unit of the probes' columns in the file.")

    time_column = models.CharField(max_length=60, default="time")
    time_unit = models.CharField(max_length=2, choices=TimeUnit, default=TimeUnit.SECOND)
    phase_column = models.CharField(max_length=60, blank=True)
    phase_at_rear_deg = models.FloatField(default=0.0)
    pulse_column = models.CharField(max_length=60, blank=True)
    pulse_at_deg = models.FloatField(default=0.0)
    temperature_column = models.CharField(max_length=60, blank=True)

    is_active = models.BooleanField(default=True)
    note = models.TextField(blank=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine", "-is_active", "name"]
        constraints = [
            models.UniqueConstraint(fields=["machine", "name"], name="one_probe_setup_name_per_machine"),
            models.CheckConstraint(condition=Q(target_factor__gt=0), name="target_factor_positive"),
            models.CheckConstraint(condition=Q(gap_mm__isnull=True) | Q(gap_mm__gt=0), name="probe_gap_positive"),
        ]

    def __str__(self) -> str:
        return self.name


class Probe(models.Model):
    """One probe of a ring. The scale is the movement TOWARD it for one unit of the file, so it may be negative."""

    setup = models.ForeignKey(ProbeSetup, on_delete=models.CASCADE, related_name="probes")
    order = models.PositiveSmallIntegerField()
    column = models.CharField(max_length=60)
    angle_deg = models.FloatField(help_text="Clock angle: 0 = 12, 90 = 3.")
    scale_um_per_unit = models.FloatField()
    zero_um = models.FloatField(default=0.0, help_text="Added after the scale.")
    zero_u_um = models.FloatField(default=0.0, help_text="Standard uncertainty of the zero.")
    low = models.FloatField(null=True, blank=True, help_text="Low end of its range, in the file's unit.")
    high = models.FloatField(null=True, blank=True)

    plant_path = "setup__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["setup", "order", "id"]
        constraints = [
            models.UniqueConstraint(fields=["setup", "column"], name="one_probe_per_column"),
            models.CheckConstraint(condition=~Q(scale_um_per_unit=0), name="probe_scale_not_zero"),
            models.CheckConstraint(condition=Q(zero_u_um__gte=0), name="probe_zero_uncertainty_not_negative"),
            models.CheckConstraint(
                condition=Q(low__isnull=True) | Q(high__isnull=True) | Q(low__lt=F("high")),
                name="probe_range_in_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.column} at {self.angle_deg:g}°"


class CaptureLimit(models.Model):
    """From when on a plant is warned about a capture; the defaults are common practice."""

    plant = models.OneToOneField(Plant, on_delete=models.CASCADE, related_name="capture_limit")
    drift_um = models.FloatField(default=5.0)
    split_um = models.FloatField(default=15.0)
    kick_um = models.FloatField(default=25.0)
    spread_um = models.FloatField(default=10.0)
    disagreement_um = models.FloatField(default=5.0)
    fewest_strokes = models.FloatField(default=30.0)
    odd_percent = models.FloatField(default=5.0)
    clipped_percent = models.FloatField(default=0.1)
    dropped_percent = models.FloatField(default=0.1)
    speed_sd_percent = models.FloatField(default=1.0)
    speed_range_percent = models.FloatField(default=3.0)
    off_speed_percent = models.FloatField(default=15.0)
    wanted_half_width_um = models.FloatField(default=1.0)
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(drift_um__gt=0)
                & Q(split_um__gt=0)
                & Q(kick_um__gt=0)
                & Q(spread_um__gt=0)
                & Q(disagreement_um__gt=0)
                & Q(fewest_strokes__gt=0)
                & Q(wanted_half_width_um__gt=0),
                name="capture_limits_positive",
            )
        ]

    def __str__(self) -> str:
        return f"Limits of captures, {self.plant}"


class Capture(models.Model):
    """A file recorded while the machine ran: kept as it came, worked out in the background, perhaps part of a visit.

    `worked_with` is the set-up as it stood when the file was worked out; `result` is whole or not there at all.
    """

    class State(models.TextChoices):
        """How far it is."""

        WORKING = "working", "Being worked out"
        DONE = "done", "Worked out"
        REFUSED = "refused", "Gave no result"
        CANCELLED = "cancelled", "Cancelled"

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="captures")
    setup = models.ForeignKey(ProbeSetup, on_delete=models.PROTECT, related_name="captures")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    minutes_since_start = models.FloatField(null=True, blank=True, help_text="Of the machine, until it was recorded.")
    oil_c = models.FloatField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    name = models.CharField(max_length=200)
    file = models.FileField(max_length=120)
    sha256 = models.CharField(max_length=64)
    size = models.BigIntegerField()

    state = models.CharField(max_length=10, choices=State, default=State.WORKING)
    sentence = models.CharField(max_length=500, blank=True, help_text="Why it gave no result.")
    refused_field = models.CharField(max_length=40, blank=True, help_text="What of the set-up that is about.")
    worked_with = models.JSONField(help_text="The set-up it was worked out with.")
    result = models.JSONField(null=True)
    algorithm = models.CharField(max_length=20, blank=True)
    warnings = models.PositiveSmallIntegerField(default=0, help_text="How many the result has, for lists.")
    job = models.ForeignKey(Job, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, null=True, blank=True, related_name="captures")
    stage = models.CharField(max_length=8, choices=Stage, blank=True)

    set_aside_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", null=True, blank=True
    )
    set_aside_at = models.DateTimeField(null=True, blank=True)
    set_aside_why = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-recorded_at", "-id"]
        indexes = [models.Index(fields=["machine", "-recorded_at"])]
        constraints = [
            models.UniqueConstraint(
                fields=["machine", "sha256"],
                condition=Q(set_aside_at__isnull=True),
                name="one_capture_of_a_file_per_machine",
            ),
            models.CheckConstraint(
                condition=(Q(state="done") & Q(result__isnull=False) & ~Q(algorithm=""))
                | (~Q(state="done") & Q(result__isnull=True) & Q(algorithm="")),
                name="capture_result_is_whole_or_absent",
            ),
            models.CheckConstraint(
                condition=(Q(visit__isnull=True) & Q(stage=""))
                | (Q(visit__isnull=False) & ~Q(stage="") & Q(state="done") & Q(set_aside_at__isnull=True)),
                name="capture_joins_a_visit_once_worked_out",
            ),
            models.CheckConstraint(
                condition=(Q(set_aside_by__isnull=True) & Q(set_aside_at__isnull=True) & Q(set_aside_why=""))
                | (Q(set_aside_by__isnull=False) & Q(set_aside_at__isnull=False) & ~Q(set_aside_why="")),
                name="capture_set_aside_by_and_at_for_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(minutes_since_start__isnull=True)
                | Q(minutes_since_start__gte=0, minutes_since_start__lte=MOST_MINUTES),
                name="capture_within_a_week_of_the_start",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def has_stopped(self) -> bool:
        """Whether nobody works it out any more, though it has no end."""
        return self.state == self.State.WORKING and (self.job is None or self.job.is_over)


class CaptureValue(models.Model):
    """The running offset of one station, at one seat, in one phase of the stroke, from one capture.

    Offset of the component from the ram line, like a `Result`; `away_mm` is how far the path had to be carried on
    from the ring to the seat, which `u_*` and `expanded_um` take in. Slopes in mm/m, None at the dome.
    """

    class Phase(models.TextChoices):
        """The parts of a stroke that are looked at apart."""

        FORWARD = "forward", "Forward"
        DOME = "dome", "Dome"
        RETURN = "return", "Return"

    capture = models.ForeignKey(Capture, on_delete=models.CASCADE, related_name="values")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    seat = models.CharField(max_length=5, choices=Seat, default=Seat.SINGLE, blank=True)
    phase = models.CharField(max_length=7, choices=Phase)
    away_mm = models.FloatField()
    x_um = models.FloatField()
    y_um = models.FloatField()
    radial_um = models.FloatField()
    u_x_um = models.FloatField()
    u_y_um = models.FloatField()
    expanded_um = models.FloatField(help_text="Of the radial offset, at 95.45 %.")
    slope_x_mm_per_m = models.FloatField(null=True)
    slope_y_mm_per_m = models.FloatField(null=True)
    slope_u_x_mm_per_m = models.FloatField(null=True)
    slope_u_y_mm_per_m = models.FloatField(null=True)
    spread_um = models.FloatField()
    strokes = models.PositiveIntegerField()
    n_eff = models.FloatField(help_text="Independent strokes they are worth, on the axis known worse.")
    odd = models.PositiveIntegerField(help_text="Strokes of the capture set aside as unlike the others.")

    plant_path = "capture__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["capture", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["capture", "station", "seat", "phase"], name="one_value_per_capture_place_and_phase"
            ),
            models.CheckConstraint(
                condition=Q(strokes__gte=3) & Q(n_eff__gt=0), name="capture_value_rests_on_strokes"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.station} {self.phase}"
