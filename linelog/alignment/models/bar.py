"""The bar in the cradle: its set-up for a visit, and sub-assemblies set to it by a fitting."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from linelog.alignment.models.visit import Visit
from linelog.plant.models import Station
from linelog.plant.models.scoped import Scoped


class BarSetup(models.Model):
    """A straight bar on its own supports in the cradle, set on the ram's line once: all its stations share the error.

    `sag_um` is the indicated reading at 6 relative to 12 on a stiff mandrel, twice the true droop; `centring_um` the
    expanded uncertainty (95.45 %), in each axis, of the bar's axis against the ram's line.
    """

    visit = models.OneToOneField(Visit, on_delete=models.CASCADE, related_name="bar")
    sag_um = models.FloatField(default=0.0)
    sag_uncertainty_um = models.FloatField(default=0.0, help_text="Standard uncertainty.")
    centring_um = models.FloatField()
    note = models.CharField(max_length=120, blank=True)
    unit = models.CharField(max_length=5)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    plant_path = "visit__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(sag_um__gte=0) & Q(sag_uncertainty_um__gte=0) & Q(centring_um__gt=0),
                name="bar_figures_possible",
            )
        ]

    def __str__(self) -> str:
        return f"bar in the cradle, {self.visit}"


class SetByFitting(models.Model):
    """A sub-assembly that was set to the bar by a centring fitting; verified where a sweep as left followed."""

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="set_by_fitting")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    fitting = models.CharField(max_length=60)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    plant_path = "visit__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.UniqueConstraint(fields=["visit", "station"], name="one_fitting_per_station_and_visit"),
            models.CheckConstraint(condition=~Q(fitting=""), name="fitting_is_named"),
        ]

    def __str__(self) -> str:
        return f"{self.station} set by {self.fitting}"
