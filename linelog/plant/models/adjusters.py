"""What moves a station, and the shims there are for it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from linelog.calc.frame import clock_words
from linelog.calc.readings import View, clock_deg
from linelog.plant.models.machine import Station
from linelog.plant.models.plant import Plant
from linelog.plant.models.scoped import Scoped


class ShimStock(models.Model):
    """The shims a plant keeps, by thickness."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="shim_stocks")
    name = models.CharField(max_length=40)
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "name"]
        constraints = [models.UniqueConstraint(fields=["plant", "name"], name="one_stock_name_per_plant")]

    def __str__(self) -> str:
        return self.name


class ShimThickness(models.Model):
    """One thickness of a stock."""

    stock = models.ForeignKey(ShimStock, on_delete=models.CASCADE, related_name="thicknesses")
    thickness_um = models.FloatField()
    pieces = models.PositiveIntegerField(null=True, blank=True, help_text="At hand; empty means plenty.")

    class Meta:
        ordering = ["stock", "thickness_um"]
        constraints = [
            models.UniqueConstraint(fields=["stock", "thickness_um"], name="one_thickness_per_stock"),
            models.CheckConstraint(condition=Q(thickness_um__gt=0), name="shim_thickness_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.thickness_um:g} µm"


class Adjuster(models.Model):
    """Something that moves a station: a shim pack, a screw or a slide.

    It pushes in the x-y plane toward a clock direction, or along z at a point of the face (tilt).
    Positive travel goes that way; for shims it is thickness put in.
    """

    class Kind(models.TextChoices):
        """How it moves."""

        SHIM = "shim", "Shim pack"
        SCREW = "screw", "Screw"
        SLIDE = "slide", "Slide"

    station = models.ForeignKey(Station, on_delete=models.CASCADE, related_name="adjusters")
    order = models.PositiveSmallIntegerField(default=0)
    name = models.CharField(max_length=40)
    kind = models.CharField(max_length=8, choices=Kind)
    along_z = models.BooleanField(default=False, help_text="Pushes along the ram: tilts the component.")
    direction_deg = models.FloatField(default=0.0, help_text="Clock direction of positive travel: 0 = 12, 90 = 3.")
    at_x_mm = models.FloatField(default=0.0, help_text="Where it stands, for one that pushes along the ram.")
    at_y_mm = models.FloatField(default=0.0)
    z_mm = models.FloatField()
    pitch_mm = models.FloatField(null=True, blank=True)
    clockwise_is_positive = models.BooleanField(default=True)
    resolution_um = models.FloatField(default=5.0)
    min_um = models.FloatField(default=-1000.0)
    max_um = models.FloatField(default=1000.0)
    stock = models.ForeignKey(ShimStock, on_delete=models.PROTECT, null=True, blank=True)
    backlash_turns = models.FloatField(default=0.0, help_text="Play of a screw's thread.")
    pack_um = models.JSONField(null=True, blank=True, help_text="Thicknesses counted in the pack; null: not known.")
    pack_counted_at = models.DateTimeField(null=True, blank=True)
    bounds_at = models.DateTimeField(null=True, blank=True, help_text="Moves logged since then use the travel up.")
    version = models.PositiveIntegerField(default=1)

    plant_path = "station__machine__line__plant"
    objects = Scoped.as_manager()

    # What the moves logged so far come to; read with the rows by `alignment.adjuster_state`, as set up without it.
    moved_um = 0.0
    pieces_now: tuple[float, ...] | None = None

    class Meta:
        ordering = ["station", "order", "id"]
        constraints = [
            models.UniqueConstraint(fields=["station", "name"], name="one_adjuster_name_per_station"),
            models.CheckConstraint(condition=Q(min_um__lte=0) & Q(max_um__gte=0), name="travel_spans_zero"),
            models.CheckConstraint(condition=Q(resolution_um__gt=0), name="adjuster_resolution_positive"),
            models.CheckConstraint(
                condition=~Q(kind="screw") | Q(pitch_mm__gt=0, pitch_mm__isnull=False),
                name="screw_has_a_pitch",
            ),
            models.CheckConstraint(condition=~Q(kind="shim") | Q(stock__isnull=False), name="shim_has_a_stock"),
            models.CheckConstraint(condition=Q(backlash_turns__gte=0), name="backlash_not_negative"),
            models.CheckConstraint(
                condition=Q(pack_um__isnull=True) | Q(pack_counted_at__isnull=False), name="pack_counted_at_a_time"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def toward_from(self, view: View) -> str:
        """Where positive travel pushes, in words, seen from an end that is named."""
        return "the domer" if self.along_z else clock_words(self.direction_deg, view)

    def away_from(self, view: View) -> str:
        """Where negative travel pushes, in words, seen from an end that is named."""
        return "the crank" if self.along_z else clock_words(self.direction_deg + 180.0, view)

    def placed_from(self, view: View) -> str:
        """Its name; of one that pushes along the ram also where it stands: its name may mean anybody's clock."""
        if not self.along_z or self.at_x_mm == self.at_y_mm == 0.0:
            return self.name
        return f"{self.name} (at {clock_words(clock_deg(self.at_x_mm, self.at_y_mm), view)})"

    @property
    def travel_left_um(self) -> tuple[float, float]:
        """Least and greatest travel from where it stands now, after the moves logged."""
        return min(0.0, self.min_um - self.moved_um), max(0.0, self.max_um - self.moved_um)

    @property
    def toward(self) -> str:
        """Where positive travel pushes, as seen from where the station is swept."""
        return self.toward_from(View(self.station.view))
