"""Rules that narrow the limit of a station: for a thinner can, a faster machine, a tooling set."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from linelog.plant.models.machine import Machine, Station
from linelog.plant.models.plant import Plant
from linelog.plant.models.scoped import Scoped
from linelog.plant.models.tooling import ToolingSet


class LimitRule(models.Model):
    """A narrower limit for the stations of a kind, from a day on, under all of its conditions that are given.

    `limit_um` is a radial OFFSET. Wall and height are those of the can that the tooling set makes; the speed is the
    machine's set speed. The narrowest of the rules that match holds, and never one wider than the station's own.
    """

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="limit_rules")
    kind = models.CharField(max_length=16, choices=Station.Kind)
    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, null=True, blank=True, related_name="limit_rules")
    tooling_set = models.ForeignKey(
        ToolingSet, on_delete=models.PROTECT, null=True, blank=True, related_name="limit_rules"
    )
    wall_to_um = models.FloatField(null=True, blank=True, help_text="For cans with a mid wall up to this.")
    height_from_mm = models.FloatField(null=True, blank=True, help_text="For cans with a wall height from this on.")
    speed_from_spm = models.FloatField(null=True, blank=True, help_text="From this set speed on.")
    limit_um = models.FloatField()
    tilt_limit_mm_per_m = models.FloatField(null=True, blank=True)
    from_on = models.DateField()
    until_on = models.DateField(null=True, blank=True, help_text="The last day, empty while it holds.")
    note = models.CharField(max_length=120, blank=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "kind", "-from_on", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(limit_um__gt=0)
                & (Q(tilt_limit_mm_per_m__isnull=True) | Q(tilt_limit_mm_per_m__gt=0))
                & (Q(wall_to_um__isnull=True) | Q(wall_to_um__gt=0))
                & (Q(height_from_mm__isnull=True) | Q(height_from_mm__gt=0))
                & (Q(speed_from_spm__isnull=True) | Q(speed_from_spm__gt=0)),
                name="limit_rule_figures_positive",
            ),
            models.CheckConstraint(
                condition=Q(until_on__isnull=True) | Q(until_on__gte=F("from_on")), name="limit_rule_ends_after_start"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} from {self.from_on}"
