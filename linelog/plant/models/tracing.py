"""What a plant says of its findings: where they are made, what they are called, and where to look first."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from linelog.plant.models.machine import Station
from linelog.plant.models.plant import Plant
from linelog.plant.models.scoped import Scoped


class FindingPlace(models.Model):
    """A place down the line where bad cans are found."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="finding_places")
    name = models.CharField(max_length=40)
    order = models.PositiveSmallIntegerField(default=0)
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "order", "name"]
        constraints = [models.UniqueConstraint(fields=["plant", "name"], name="one_place_name_per_plant")]

    def __str__(self) -> str:
        return self.name


class DefectCode(models.Model):
    """What is wrong with a can, in the plant's own words."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="defect_codes")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=60)
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "code"]
        constraints = [models.UniqueConstraint(fields=["plant", "code"], name="one_defect_code_per_plant")]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class Symptom(models.Model):
    """One row of the symptom table: where a defect may come from. A hypothesis to check, never a diagnosis.

    It points to a kind of station and how that would be off, or to another cause of the same.
    """

    class Aspect(models.TextChoices):
        """How the station would be off."""

        PARALLEL = "parallel", "off to one side"
        TILT = "tilt", "tilted"
        TOGETHER = "together", "all stations off together"
        ANY = "any", "off in any way"

    class Other(models.TextChoices):
        """What else makes the same defect."""

        PRESSURE = "pressure", "Pressure and timing"
        METAL = "metal", "Metal"
        LUBRICATION = "lubrication", "Lubrication"
        WORN_DIE = "worn_die", "Worn die"
        EARING = "earing", "Earing"
        COOLANT = "coolant", "Dirty coolant"
        ELSE = "else", "Something else"

    code = models.ForeignKey(DefectCode, on_delete=models.CASCADE, related_name="symptoms")
    station_kind = models.CharField(max_length=16, choices=Station.Kind, blank=True)
    aspect = models.CharField(max_length=8, choices=Aspect, blank=True)
    other = models.CharField(max_length=12, choices=Other, blank=True)
    words = models.CharField(max_length=200)
    version = models.PositiveIntegerField(default=1)

    plant_path = "code__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["code", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["code", "station_kind", "aspect", "other"], name="one_symptom_row_per_place_and_code"
            ),
            models.CheckConstraint(
                condition=(~Q(station_kind="") & ~Q(aspect="") & Q(other=""))
                | (Q(station_kind="") & Q(aspect="") & ~Q(other="")),
                name="symptom_points_to_a_station_or_another_cause",
            ),
        ]

    def __str__(self) -> str:
        return self.where

    @property
    def where(self) -> str:
        """Where it points, in words."""
        if self.other:
            return self.get_other_display()
        return f"{self.get_station_kind_display()}, {self.get_aspect_display()}"
