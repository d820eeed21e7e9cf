"""How the stations of a machine wander, and after how many strokes the first of them reaches the plant's risk."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from linelog.plant.models import Machine, Station
from linelog.plant.models.scoped import Scoped


class MachineDrift(models.Model):
    """A summary of a machine's signed visits. `basis` says of what state of the log; another state: worked out anew.

    `due_million` are the million strokes from the day after `since` on after which the chance that any of its
    stations is out reaches the plant's risk of a machine, `driver` the likeliest then; None where it stays below.
    `places` holds each station's own figures (see trends.due.places), `together` how much they go out together.
    """

    machine = models.OneToOneField(Machine, on_delete=models.CASCADE, related_name="drift")
    basis = models.CharField(max_length=160)
    at = models.DateTimeField()
    due_million = models.FloatField(null=True)
    driver = models.ForeignKey(Station, on_delete=models.SET_NULL, null=True, related_name="+")
    driver_place = models.CharField(max_length=80, blank=True)
    since = models.DateField(null=True)
    together = models.FloatField(default=0.0)
    places = models.JSONField(default=list)
    left_severity = models.FloatField(null=True, help_text="Mean of the worst severity as left, over its visits.")

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine"]
        constraints = [
            models.CheckConstraint(
                condition=Q(due_million__isnull=True) | Q(due_million__gte=0), name="strokes_until_due_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(due_million__isnull=True) | Q(since__isnull=False), name="strokes_until_due_have_a_start"
            ),
        ]

    def __str__(self) -> str:
        return f"drift of {self.machine}"
