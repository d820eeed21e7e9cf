"""A machine as the mechanic meets it: its stations along the ram and the adjusters of each."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import F, Q

from linelog.calc.units import tir_from_offset
from linelog.plant.models.plant import Plant
from linelog.plant.models.scoped import Scoped


class Line(models.Model):
    """A production line of a plant."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="lines")
    name = models.CharField(max_length=40)
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "name"]
        constraints = [models.UniqueConstraint(fields=["plant", "name"], name="one_line_name_per_plant")]

    def __str__(self) -> str:
        return self.name


class Machine(models.Model):
    """A machine of a line. Geometry in mm; z is zero at the front edge of the front bushing, positive forward."""

    class Kind(models.TextChoices):
        """What the machine does."""

        BODYMAKER = "bodymaker"
        CUPPER = "cupper"
        TRIMMER = "trimmer"
        NECKER = "necker"
        OTHER = "other"

    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="machines")
    name = models.CharField(max_length=40)
    kind = models.CharField(max_length=12, choices=Kind, default=Kind.BODYMAKER)
    serial = models.CharField(max_length=40, blank=True)
    in_service_on = models.DateField(null=True, blank=True)
    out_of_service_on = models.DateField(null=True, blank=True)
    note = models.TextField(blank=True)

    stroke_mm = models.FloatField(null=True, blank=True)
    rod_length_mm = models.FloatField(null=True, blank=True)
    speed_spm = models.FloatField(null=True, blank=True)
    ram_outside_mm = models.FloatField(null=True, blank=True)
    ram_bore_mm = models.FloatField(null=True, blank=True)
    bushing_span_mm = models.FloatField(null=True, blank=True)
    overhang_mm = models.FloatField(null=True, blank=True, help_text="Ram beyond the front bushing, full forward.")
    rear_overhang_mm = models.FloatField(null=True, blank=True, help_text="Ram behind the rear one, full forward.")
    ram_density_kg_per_m3 = models.FloatField(default=7850.0)
    ram_modulus_gpa = models.FloatField(default=205.0)
    punch_mass_kg = models.FloatField(null=True, blank=True)
    punch_length_mm = models.FloatField(null=True, blank=True)
    tip_mass_kg = models.FloatField(null=True, blank=True, help_text="At the nose itself.")
    bushing_clearance_um = models.FloatField(null=True, blank=True, help_text="On diameter.")
    rear_clearance_um = models.FloatField(null=True, blank=True, help_text="Where it differs from the front one.")
    film_n_per_um = models.FloatField(null=True, blank=True, help_text="Stiffness of each bushing's oil film.")
    clearance_within_um = models.FloatField(default=5.0, help_text="The clearance is known to within this.")
    bending_within_percent = models.FloatField(default=5.0, help_text="Weights and stiffness are known to this.")
    moves_for_running = models.BooleanField(default=False, help_text="Moves are for the value expected running.")
    forward_from_deg = models.FloatField(default=20.0)
    dome_from_deg = models.FloatField(default=170.0)
    dome_to_deg = models.FloatField(default=190.0)
    return_to_deg = models.FloatField(default=340.0)

    version = models.PositiveIntegerField(default=1)

    plant_path = "line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["line", "name"]
        constraints = [
            models.UniqueConstraint(fields=["line", "name"], name="one_machine_name_per_line"),
            models.CheckConstraint(
                condition=Q(ram_bore_mm__isnull=True)
                | Q(ram_outside_mm__isnull=True)
                | Q(ram_bore_mm__lt=F("ram_outside_mm")),
                name="ram_bore_inside_ram",
            ),
            models.CheckConstraint(
                condition=Q(out_of_service_on__isnull=True)
                | Q(in_service_on__isnull=True)
                | Q(out_of_service_on__gte=F("in_service_on")),
                name="machine_leaves_after_it_came",
            ),
            models.CheckConstraint(
                condition=Q(forward_from_deg__lt=F("dome_from_deg"))
                & Q(dome_from_deg__lt=F("dome_to_deg"))
                & Q(dome_to_deg__lt=F("return_to_deg")),
                name="crank_windows_in_order",
            ),
            models.CheckConstraint(
                condition=Q(ram_density_kg_per_m3__gte=0)
                & Q(ram_modulus_gpa__gt=0)
                & Q(clearance_within_um__gte=0)
                & Q(bending_within_percent__gte=0)
                & (Q(film_n_per_um__isnull=True) | Q(film_n_per_um__gt=0)),
                name="ram_figures_possible",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class MarkAssignment(models.Model):
    """From when to when a mark in the dome belonged to a machine: it follows the domer tooling."""

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="marks")
    mark = models.CharField(max_length=8, db_index=True)
    starts_on = models.DateField()
    ends_on = models.DateField(null=True, blank=True, help_text="The last day, empty while it is in use.")
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine", "-starts_on"]
        constraints = [
            models.UniqueConstraint(fields=["machine", "mark", "starts_on"], name="one_mark_start_per_machine"),
            models.CheckConstraint(
                condition=Q(ends_on__isnull=True) | Q(ends_on__gte=F("starts_on")),
                name="mark_ends_after_start",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.mark} on {self.machine}"


class Station(models.Model):
    """A place along the ram that is measured: one seat, or a front and a rear seat measured apart.

    `limit_um` is a radial OFFSET, not a full indicator reading.
    """

    class Kind(models.TextChoices):
        """Which component sits there."""

        REAR_BUSHING = "rear_bushing", "Rear bushing"
        FRONT_BUSHING = "front_bushing", "Front bushing"
        REDRAW_SLEEVE = "redraw_sleeve", "Redraw sleeve"
        CUP_LOCATOR = "cup_locator", "Cup locator"
        TOOL_PACK = "tool_pack", "Tool pack"
        STRIPPER = "stripper", "Stripper"
        DOMER = "domer", "Domer"
        OTHER = "other", "Other"

    class Surface(models.TextChoices):
        """What the plunger touches."""

        BORE = "bore", "Bore"
        OUTSIDE = "outside", "Outside diameter"

    class Carrier(models.TextChoices):
        """What the indicator rides on."""

        RAM = "ram", "On the ram line"
        COMPONENT = "component", "On the component"
        BAR = "bar", "On a bar in the cradle"

    class View(models.TextChoices):
        """From which end the clock is read."""

        CRANK = "crank", "From the crank"
        DOMER = "domer", "From the domer"

    #: What guides the ram itself. A dial that rides in one sinks with it, so no sweep there is judged.
    BUSHINGS = (Kind.REAR_BUSHING, Kind.FRONT_BUSHING)
    #: The rule that narrows the limits of this copy (linelog.plant.limits); None where they are its own.
    limit_rule: dict[str, Any] | None = None

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="stations")
    order = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=16, choices=Kind)
    name = models.CharField(max_length=40)
    z_mm = models.FloatField(help_text="Of the seat, or of the front seat where there are two.")
    rear_z_mm = models.FloatField(null=True, blank=True, help_text="Of the rear seat, where it is measured apart.")
    limit_um = models.FloatField()
    tilt_limit_mm_per_m = models.FloatField(null=True, blank=True)
    face_radius_mm = models.FloatField(null=True, blank=True)
    surface = models.CharField(max_length=8, choices=Surface, default=Surface.BORE)
    carrier = models.CharField(max_length=10, choices=Carrier, default=Carrier.RAM)
    view = models.CharField(max_length=6, choices=View, default=View.CRANK)
    wear_limit_um = models.FloatField(
        null=True, blank=True, help_text="Of a bushing, on diameter, where it is not the plant's."
    )
    hours_to_open = models.FloatField(default=1.0)
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine", "order", "id"]
        constraints = [
            models.UniqueConstraint(fields=["machine", "name"], name="one_station_name_per_machine"),
            models.CheckConstraint(condition=Q(limit_um__gt=0), name="station_limit_positive"),
            models.CheckConstraint(
                condition=Q(tilt_limit_mm_per_m__isnull=True) | Q(tilt_limit_mm_per_m__gt=0),
                name="station_tilt_limit_positive",
            ),
            models.CheckConstraint(
                condition=Q(face_radius_mm__isnull=True) | Q(face_radius_mm__gt=0),
                name="face_radius_positive",
            ),
            models.CheckConstraint(
                condition=Q(rear_z_mm__isnull=True) | Q(rear_z_mm__lt=F("z_mm")),
                name="rear_seat_behind_front_seat",
            ),
            models.CheckConstraint(
                condition=Q(wear_limit_um__isnull=True) | Q(wear_limit_um__gt=0), name="station_wear_limit_positive"
            ),
            models.CheckConstraint(
                condition=~Q(surface="bore", carrier="component"), name="no_bore_swept_from_the_component"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_bushing(self) -> bool:
        """Whether the ram itself runs in it."""
        return self.kind in self.BUSHINGS

    @property
    def seats(self) -> tuple[str, ...]:
        """The seats measured: ('',) for a single one."""
        return ("",) if self.rear_z_mm is None else ("front", "rear")

    @property
    def limit_tir_um(self) -> float:
        """The limit as a full indicator reading."""
        return tir_from_offset(self.limit_um)

    def seat_z_mm(self, seat: str) -> float:
        """Return where a seat lies along the ram."""
        return self.rear_z_mm if seat == "rear" and self.rear_z_mm is not None else self.z_mm
