"""What a plant, and where it wants a machine, says about its lockouts."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from linelog.plant.models.machine import Machine
from linelog.plant.models.plant import Plant
from linelog.plant.models.scoped import Scoped


class LockoutProcedure(models.Model):
    """The site's own words and times for a lockout: of the plant, or of one machine where `machine` is given.

    What is left empty comes from the plant, and from the program's own words where the plant says nothing.
    """

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="lockout_procedures")
    machine = models.ForeignKey(
        Machine, on_delete=models.CASCADE, null=True, blank=True, related_name="lockout_procedures"
    )
    number = models.CharField(max_length=60, blank=True)
    isolation_points = models.TextField(blank=True)
    stored_energies = models.TextField(blank=True)
    pinch_points = models.TextField(blank=True)
    after_try_out = models.TextField(blank=True)
    lasts_hours = models.FloatField(null=True, blank=True, help_text="Longest age; empty for the plant's shift.")
    ends_with_shift = models.BooleanField(default=True)
    overlap_minutes = models.PositiveIntegerField(
        default=30, help_text="Verified so shortly before a shift begins, it belongs to that shift."
    )
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["plant"], condition=Q(machine__isnull=True), name="one_lockout_procedure_per_plant"
            ),
            models.UniqueConstraint(
                fields=["machine"], condition=Q(machine__isnull=False), name="one_lockout_procedure_per_machine"
            ),
            models.CheckConstraint(
                condition=Q(lasts_hours__isnull=True) | Q(lasts_hours__gt=0, lasts_hours__lte=12),
                name="lockout_lasts_at_most_twelve_hours",
            ),
            models.CheckConstraint(condition=Q(overlap_minutes__lte=240), name="lockout_overlap_within_four_hours"),
        ]

    def __str__(self) -> str:
        return f"Lockout of {self.machine or self.plant}"
