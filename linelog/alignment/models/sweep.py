"""Sweeps with their readings as typed, and the results computed from them."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from linelog.alignment import clock
from linelog.alignment.models.visit import Visit
from linelog.plant.models import Station
from linelog.plant.models.scoped import Scoped
from linelog.web.units import show_typed


class Stage(models.TextChoices):
    """When in the visit it was measured."""

    AS_FOUND = "as_found", "As found"
    AS_LEFT = "as_left", "As left"


class Seat(models.TextChoices):
    """Which seat of a station that has two; empty for a station with one."""

    SINGLE = "", "–"
    FRONT = "front", "Front seat"
    REAR = "rear", "Rear seat"


class Method(models.TextChoices):
    """Static and running values are different quantities and never share a trend line."""

    STATIC = "static", "Static"
    RUNNING = "running", "Running"


class Sweep(models.Model):
    """The set-up of one sweep: what was swept, with what, from where. Its readings hang on it."""

    class Kind(models.TextChoices):
        """What the indicator went round."""

        RIM = "rim", "Bore or outside"
        FACE = "face", "Face"

    class Facing(models.TextChoices):
        """The end that the face swept looks to: the other one turns the sign of the tilt."""

        CRANK = "crank", "Toward the crank (the plunger points to the domer)"
        DOMER = "domer", "Toward the domer (the plunger points to the crank)"

    class SetUpFrom(models.TextChoices):
        """Where the set-up came from; empty for sweeps older than this field."""

        STATION = "station", "The station's set-up"
        VISIT = "visit", "Taken over from an earlier visit"
        PERSON = "person", "Chosen or confirmed by a person"

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="sweeps")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    stage = models.CharField(max_length=8, choices=Stage)
    seat = models.CharField(max_length=5, choices=Seat, default=Seat.SINGLE, blank=True)
    kind = models.CharField(max_length=4, choices=Kind, default=Kind.RIM)

    positions = models.PositiveSmallIntegerField(default=4)
    unit = models.CharField(max_length=5, default="mm", help_text="Of its first reading; each reading has its own.")
    surface = models.CharField(max_length=8, choices=Station.Surface, default=Station.Surface.BORE)
    carrier = models.CharField(max_length=10, choices=Station.Carrier, default=Station.Carrier.RAM)
    view = models.CharField(max_length=6, choices=Station.View, default=Station.View.CRANK)
    facing = models.CharField(
        max_length=5, choices=Facing, blank=True, help_text="Of a face sweep: which way the face swept looks."
    )
    plunger_reversed = models.BooleanField(default=False)
    indicator = models.CharField(max_length=60, blank=True)
    resolution_um = models.FloatField(default=10.0)
    sag_um = models.FloatField(default=0.0, help_text="Indicated reading at 6 relative to 12 on a stiff mandrel.")
    sag_uncertainty_um = models.FloatField(default=0.0)
    face_radius_mm = models.FloatField(null=True, blank=True)
    ram_position_mm = models.FloatField(null=True, blank=True, help_text="Ram travel from full back.")
    odd_accepted = models.BooleanField(
        default=False, help_text="The person confirmed readings that the program wanted read again."
    )
    set_up_from = models.CharField(max_length=7, choices=SetUpFrom, blank=True)
    taken_over_from = models.DateTimeField(null=True, help_text="When the visit was opened whose set-up this is.")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["visit", "station", "stage", "seat", "kind"], name="one_sweep_per_place_and_stage"
            ),
            models.CheckConstraint(condition=Q(positions__in=[4, 6, 8, 12]), name="sweep_has_known_positions"),
            models.CheckConstraint(condition=Q(resolution_um__gt=0), name="sweep_resolution_positive"),
            models.CheckConstraint(condition=Q(sag_uncertainty_um__gte=0), name="sag_uncertainty_not_negative"),
            models.CheckConstraint(
                condition=~Q(kind="face") | Q(face_radius_mm__gt=0, face_radius_mm__isnull=False),
                name="face_sweep_has_a_radius",
            ),
            models.CheckConstraint(condition=~Q(surface="bore", carrier="component"), name="no_such_sweep_of_a_bore"),
            models.CheckConstraint(condition=Q(kind="face") | Q(facing=""), name="only_a_face_looks_some_way"),
            models.CheckConstraint(
                condition=Q(set_up_from="visit", taken_over_from__isnull=False)
                | (~Q(set_up_from="visit") & Q(taken_over_from__isnull=True)),
                name="what_is_taken_over_says_from_when",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.station} {self.get_stage_display()}"


class Reading(models.Model):
    """One reading of the dial, as typed and in um; the return reading is the first position read again."""

    sweep = models.ForeignKey(Sweep, on_delete=models.CASCADE, related_name="readings")
    repeat = models.PositiveSmallIntegerField(default=1)
    angle_deg = models.FloatField()
    is_return = models.BooleanField(default=False)
    value_um = models.FloatField()
    typed = models.CharField(max_length=24)
    unit = models.CharField(max_length=5)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["sweep", "repeat", "is_return", "angle_deg"]
        constraints = [
            models.UniqueConstraint(
                fields=["sweep", "repeat", "angle_deg", "is_return"], name="one_reading_per_position"
            ),
            models.CheckConstraint(
                condition=Q(angle_deg__gte=0) & Q(angle_deg__lt=360), name="reading_angle_on_the_clock"
            ),
            models.CheckConstraint(
                condition=Q(value_um__gte=-50_000) & Q(value_um__lte=50_000), name="reading_within_any_dial"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.where}: {self.as_typed}"

    @property
    def as_typed(self) -> str:
        """The reading as it was typed, in its own unit, whatever the reader's and whatever its sweep's."""
        return show_typed(self.typed, self.unit)

    @property
    def where(self) -> str:
        """Which reading of its sweep it is: "6 o'clock", "12 o'clock again, repeat 2"."""
        repeat = f", repeat {self.repeat}" if self.repeat > 1 else ""
        return f"{clock.words([self.angle_deg])}{' again' if self.is_return else ''}{repeat}"


class RunningReading(models.Model):
    """A running offset typed in from the plant's own running measurement."""

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="running_readings")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    stage = models.CharField(max_length=8, choices=Stage)
    x_um = models.FloatField()
    y_um = models.FloatField()
    expanded_um = models.FloatField(help_text="Expanded uncertainty of each axis, about 95 %.")
    strokes = models.PositiveIntegerField()
    unit = models.CharField(max_length=5)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["visit", "station", "stage"], name="one_running_value_per_stage"),
            models.CheckConstraint(
                condition=Q(expanded_um__gt=0) & Q(strokes__gte=1), name="running_value_rests_on_strokes"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.station} running"


class Result(models.Model):
    """What the readings came to: offset of the component from the ram line at its own z, in um.

    Kept with the limit of that day and the version of the computation, so that an old page never changes.
    """

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="results")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    stage = models.CharField(max_length=8, choices=Stage)
    seat = models.CharField(max_length=5, choices=Seat, default=Seat.SINGLE, blank=True)
    method = models.CharField(max_length=8, choices=Method, default=Method.STATIC)

    carrier = models.CharField(
        max_length=10,
        choices=Station.Carrier,
        default=Station.Carrier.RAM,
        blank=True,
        help_text="What carried the dial; empty for a running value. Two carriers never share a series.",
    )

    x_um = models.FloatField()
    y_um = models.FloatField()
    radial_um = models.FloatField()
    u_x_um = models.FloatField()
    u_y_um = models.FloatField()
    expanded_um = models.FloatField(help_text="Of the radial offset.")
    tir_um = models.FloatField(null=True)
    closure_um = models.FloatField(null=True)
    return_um = models.FloatField(null=True)
    out_of_round_um = models.FloatField(null=True)
    tilt_x_mm_per_m = models.FloatField(null=True)
    tilt_y_mm_per_m = models.FloatField(null=True)
    tilt_expanded_mm_per_m = models.FloatField(null=True)
    readings = models.PositiveIntegerField()
    verdict = models.CharField(max_length=12)
    withheld = models.BooleanField(
        default=False, help_text="To be read again and not confirmed: no verdict, 'not proven' stands for it."
    )
    severity = models.FloatField(help_text="Offset as a share of its limit; the tilt's where that is larger.")
    limit_um = models.FloatField()
    tilt_limit_mm_per_m = models.FloatField(null=True)
    limit_rule = models.JSONField(
        null=True, help_text="The rule that gave the limit, with its figures of that day; null: the station's own."
    )
    carried = models.BooleanField(default=False, help_text="As left without a sweep: not touched.")
    is_partial = models.BooleanField(default=False, help_text="Of a sweep with a position still to be read.")
    algorithm = models.CharField(max_length=20)
    at = models.DateTimeField()

    plant_path = "visit__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["visit", "station", "stage"]
        indexes = [models.Index(fields=["station", "at"])]
        constraints = [
            models.UniqueConstraint(
                fields=["visit", "station", "stage", "seat", "method"], name="one_result_per_place_and_stage"
            ),
            models.CheckConstraint(condition=Q(verdict__in=["in", "not proven", "out"]), name="result_verdict_known"),
            models.CheckConstraint(
                condition=Q(withheld=False) | ~Q(verdict="in"), name="withheld_result_is_never_in"
            ),
            models.CheckConstraint(condition=Q(limit_um__gt=0) & Q(severity__gte=0), name="result_limit_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.station} {self.stage}: {self.verdict}"
