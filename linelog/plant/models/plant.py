"""A plant, its shifts, and the settings that a site decides for itself."""

from __future__ import annotations

import datetime as dt

from django.db import models
from django.db.models import Q

from linelog.plant.models.scoped import Scoped


class Plant(models.Model):
    """A site. Every limit and cost here is the plant's own setting; the defaults are common practice."""

    name = models.CharField(max_length=80, unique=True)
    timezone = models.CharField(max_length=60, default="UTC")
    day_starts = models.TimeField(default=dt.time(6, 0), help_text="The production day begins at this time.")
    is_invented = models.BooleanField(default=False, help_text="A demonstration plant, not a real one.")

    closure_limit_um = models.FloatField(default=25.0)
    return_limit_um = models.FloatField(default=5.0)
    indicator_resolution_um = models.FloatField(default=10.0)
    usual_scatter_um = models.FloatField(default=2.5, help_text="Usual standard deviation of one dial reading.")
    shaft_uncertainty_um = models.FloatField(default=1.0, help_text="Centring of the carrier on the ram line.")
    tablet_timeout_minutes = models.PositiveIntegerField(default=10)

    risk_percent = models.FloatField(default=20.0, help_text="Alignment is due at this risk of being out.")
    longest_interval_days = models.PositiveIntegerField(default=120)
    crew_hours_per_week = models.FloatField(default=24.0)

    currency = models.CharField(max_length=8, default="EUR")
    can_cost = models.FloatField(default=0.03)
    minute_value = models.FloatField(default=12.0)
    tear_off_clear_minutes = models.FloatField(default=6.0)

    tear_off_good_per_million = models.FloatField(default=50.0)
    tear_off_poor_per_million = models.FloatField(default=100.0)
    repeat_out = models.PositiveIntegerField(default=3, help_text="Out on this many ...")
    repeat_visits = models.PositiveIntegerField(default=5, help_text="... of the last as-found visits.")

    version = models.PositiveIntegerField(default=1)

    plant_path = "pk"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(closure_limit_um__gt=0)
                & Q(return_limit_um__gt=0)
                & Q(indicator_resolution_um__gt=0)
                & Q(usual_scatter_um__gt=0)
                & Q(shaft_uncertainty_um__gte=0),
                name="plant_limits_positive",
            ),
            models.CheckConstraint(
                condition=Q(risk_percent__gt=0) & Q(risk_percent__lt=100), name="plant_risk_is_a_percentage"
            ),
            models.CheckConstraint(
                condition=Q(repeat_out__gte=1) & Q(repeat_visits__gte=models.F("repeat_out")),
                name="plant_repeat_rule_possible",
            ),
            models.CheckConstraint(
                condition=Q(can_cost__gte=0)
                & Q(minute_value__gte=0)
                & Q(tear_off_clear_minutes__gte=0)
                & Q(crew_hours_per_week__gte=0),
                name="plant_costs_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Shift(models.Model):
    """A shift of the production day; one that crosses midnight belongs to the day it began in."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="shifts")
    code = models.CharField(max_length=8)
    name = models.CharField(max_length=40)
    starts = models.TimeField()
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "starts"]
        constraints = [
            models.UniqueConstraint(fields=["plant", "code"], name="one_shift_code_per_plant"),
            models.UniqueConstraint(fields=["plant", "starts"], name="one_shift_start_per_plant"),
        ]

    def __str__(self) -> str:
        return self.code
