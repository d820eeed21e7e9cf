"""Tooling sets, their parts, and when each was fitted to which machine."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from linelog.plant.models.machine import Machine
from linelog.plant.models.plant import Plant
from linelog.plant.models.scoped import Scoped


class ToolingSet(models.Model):
    """Tools that are fitted together."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="tooling_sets")
    name = models.CharField(max_length=40)
    note = models.TextField(blank=True)
    retired_on = models.DateField(null=True, blank=True)
    cup_wall_um = models.FloatField(null=True, blank=True, help_text="Where its cup is not the plant's usual one.")
    cup_height_mm = models.FloatField(null=True, blank=True)
    top_wall_mm = models.FloatField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "name"]
        constraints = [
            models.UniqueConstraint(fields=["plant", "name"], name="one_set_name_per_plant"),
            models.CheckConstraint(
                condition=(Q(cup_wall_um__isnull=True) | Q(cup_wall_um__gt=0))
                & (Q(cup_height_mm__isnull=True) | Q(cup_height_mm__gt=0))
                & (Q(top_wall_mm__isnull=True) | Q(top_wall_mm__gte=0)),
                name="set_cup_possible",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class ToolPart(models.Model):
    """A part of a set: diameters in mm, runout in um."""

    class Kind(models.TextChoices):
        """Which tool."""

        PUNCH = "punch", "Punch"
        REDRAW_DIE = "redraw_die", "Redraw die"
        IRONING_DIE_1 = "ironing_die_1", "Ironing die 1"
        IRONING_DIE_2 = "ironing_die_2", "Ironing die 2"
        IRONING_DIE_3 = "ironing_die_3", "Ironing die 3"
        PILOT = "pilot", "Pilot"
        STRIPPER = "stripper", "Stripper"
        DOMER_DIE = "domer_die", "Domer die"

    tooling_set = models.ForeignKey(ToolingSet, on_delete=models.CASCADE, related_name="parts")
    kind = models.CharField(max_length=16, choices=Kind)
    serial = models.CharField(max_length=40, blank=True, db_index=True)
    diameter_mm = models.FloatField(null=True, blank=True, help_text="Bore of a die; of a punch at the mid wall.")
    diameter_new_mm = models.FloatField(null=True, blank=True)
    top_wall_diameter_mm = models.FloatField(null=True, blank=True, help_text="Of a punch, at the top wall.")
    land_mm = models.FloatField(null=True, blank=True)
    entry_angle_deg = models.FloatField(null=True, blank=True)
    nose_radius_mm = models.FloatField(null=True, blank=True)
    runout_um = models.FloatField(null=True, blank=True)
    regrinds = models.PositiveIntegerField(default=0)
    cans_run = models.PositiveBigIntegerField(default=0)

    plant_path = "tooling_set__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["tooling_set", "kind", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(diameter_mm__isnull=True) | Q(diameter_mm__gt=0), name="tool_diameter_positive"
            ),
            models.CheckConstraint(
                condition=Q(runout_um__isnull=True) | Q(runout_um__gte=0), name="runout_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.serial}".strip()


class Fitting(models.Model):
    """A tooling set on a machine, from when to when, and why it came out."""

    tooling_set = models.ForeignKey(ToolingSet, on_delete=models.PROTECT, related_name="fittings")
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="fittings")
    fitted_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)
    reason_out = models.CharField(max_length=120, blank=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-fitted_at"]
        indexes = [models.Index(fields=["machine", "fitted_at"])]
        constraints = [
            models.CheckConstraint(
                condition=Q(removed_at__isnull=True) | Q(removed_at__gt=F("fitted_at")),
                name="tools_removed_after_fitting",
            ),
            models.UniqueConstraint(
                fields=["machine"], condition=Q(removed_at__isnull=True), name="one_set_on_a_machine"
            ),
            models.UniqueConstraint(
                fields=["tooling_set"], condition=Q(removed_at__isnull=True), name="a_set_on_one_machine"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.tooling_set} on {self.machine}"
