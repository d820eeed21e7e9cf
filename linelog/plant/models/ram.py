"""The ram of a machine where it is no plain tube: its sections from the rear end to the nose."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from linelog.plant.models.machine import Machine
from linelog.plant.models.scoped import Scoped


class RamSection(models.Model):
    """A length of ram with one outside, one bore and one material. Kept and changed with its machine's version."""

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="ram_sections")
    order = models.PositiveSmallIntegerField(help_text="From the rear end, 1, to the nose.")
    length_mm = models.FloatField()
    outside_mm = models.FloatField()
    bore_mm = models.FloatField(default=0.0)
    density_kg_per_m3 = models.FloatField(default=7850.0)
    modulus_gpa = models.FloatField(default=205.0)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine", "order"]
        constraints = [
            models.UniqueConstraint(fields=["machine", "order"], name="one_ram_section_at_a_place"),
            models.CheckConstraint(
                condition=Q(length_mm__gt=0)
                & Q(bore_mm__gte=0)
                & Q(bore_mm__lt=F("outside_mm"))
                & Q(density_kg_per_m3__gte=0)
                & Q(modulus_gpa__gt=0),
                name="ram_section_is_a_tube",
            ),
        ]

    def __str__(self) -> str:
        return f"section {self.order} of the ram of {self.machine}"
