"""A plant, its shifts, and the settings that a site decides for itself."""

from __future__ import annotations

import datetime as dt

from django.db import models
from django.db.models import Q

from linelog.calc.misread import MOST_PAIRS_LETTERS, USUAL_PAIRS, USUAL_SHARE
from linelog.plant.models.scoped import Scoped


class Plant(models.Model):
    """A site. Every limit and cost here is the plant's own setting; the defaults are common practice."""

    class Basis(models.TextChoices):
        """What a limit of reduction is a share of."""

        THICKNESS = "thickness", "By thickness"
        AREA = "area", "By ring area"

    class InchTilt(models.TextChoices):
        """What who reads inches reads tilts in; others read mm/m."""

        IN_PER_IN = "in/in", "Inch per inch (0.00008 in/in)"
        MIL_PER_IN = "mil/in", "Thousandths per inch (0.08 mil/in)"

    class Temperature(models.TextChoices):
        """What temperatures are typed and shown in; they are stored in °C."""

        CELSIUS = "C", "°C"
        FAHRENHEIT = "F", "°F"

    class SignProof(models.TextChoices):
        """When a signature asks for the PIN or the password again."""

        SHARED = "shared", "On shared tablets"
        ALWAYS = "always", "Always"
        NEVER = "never", "Never"

    name = models.CharField(max_length=80, unique=True)
    timezone = models.CharField(max_length=60, default="UTC")
    day_starts = models.TimeField(default=dt.time(6, 0), help_text="The production day begins at this time.")
    inch_tilt = models.CharField(max_length=6, choices=InchTilt, default=InchTilt.IN_PER_IN)
    temperature_in = models.CharField(max_length=1, choices=Temperature, default=Temperature.CELSIUS)
    is_invented = models.BooleanField(default=False, help_text="A demonstration plant, not a real one.")

    closure_limit_um = models.FloatField(default=25.0)
    return_limit_um = models.FloatField(default=5.0)
    indicator_resolution_um = models.FloatField(default=10.0)
    usual_scatter_um = models.FloatField(default=2.5, help_text="Usual standard deviation of one dial reading.")
    shaft_uncertainty_um = models.FloatField(default=1.0, help_text="Centring of the carrier on the ram line.")
    bushing_wear_limit_um = models.FloatField(
        default=80.0, help_text="Diametral clearance at which a bushing is worn out. Common practice, no source."
    )
    types_thousandths = models.BooleanField(
        default=False, help_text="A dial reading typed without a decimal point is in thousandths."
    )
    tablet_timeout_minutes = models.PositiveIntegerField(default=10)
    sign_proof = models.CharField(
        max_length=6,
        choices=SignProof,
        default=SignProof.SHARED,
        help_text="Signing a visit asks for the PIN or password again.",
    )

    nightly_at = models.TimeField(default=dt.time(2, 30), help_text="Tidying up and refitting, in the plant's time.")
    keep_working_days = models.PositiveIntegerField(
        default=30, help_text="Keys of writes, results of tasks, finished jobs. A tablet may be away no longer."
    )
    keep_sign_ins_days = models.PositiveIntegerField(default=180, help_text="The log of sign-ins.")
    keep_uploads_days = models.PositiveIntegerField(default=730, help_text="Files of counts; the counts stay.")

    risk_percent = models.FloatField(default=20.0, help_text="A check sweeps a station at this risk of being out.")
    machine_risk_percent = models.FloatField(
        default=50.0, help_text="A check is due at this risk that any station is out. No source."
    )
    longest_interval_days = models.PositiveIntegerField(default=120)
    crew_hours_per_week = models.FloatField(default=24.0)
    visit_base_hours = models.FloatField(
        default=1.0, help_text="Of every visit: lockout and closing up. Sweeping and opening stations come on top."
    )
    sweep_minutes = models.FloatField(
        default=8.0, help_text="Of one sweep of one place, or of one clearance. Common practice, no source."
    )
    assumed_rise_percent = models.FloatField(
        default=30.0, help_text="Of spoilage and tear-offs per unit of severity, until the plant's own counts say."
    )

    currency = models.CharField(max_length=8, default="EUR")
    can_cost = models.FloatField(default=0.03)
    minute_value = models.FloatField(default=12.0)
    tear_off_clear_minutes = models.FloatField(default=6.0)

    tear_off_good_per_million = models.FloatField(default=50.0)
    tear_off_poor_per_million = models.FloatField(default=100.0)
    date_code = models.CharField(
        max_length=60, blank=True, help_text="How the date code on the can reads, in plain pieces."
    )
    oldest_can_days = models.PositiveIntegerField(
        default=730, help_text="No can found is older than this. Common practice, no source."
    )
    misread_percent = models.FloatField(
        default=100.0 * USUAL_SHARE, help_text="Of the marks typed, until the plant's own counts say."
    )
    mark_lookalikes = models.CharField(
        max_length=MOST_PAIRS_LETTERS, blank=True, default=USUAL_PAIRS, help_text="Pairs taken for one another."
    )

    signals_a_year = models.FloatField(
        default=4.0, help_text="Signals that people can answer, a machine-year, of all counts together."
    )

    repeat_out = models.PositiveIntegerField(default=3, help_text="Out on this many ...")
    repeat_visits = models.PositiveIntegerField(default=5, help_text="... of the last as-found visits.")

    cup_wall_um = models.FloatField(default=270.0, help_text="Wall of the redrawn cup that meets the first die.")
    cup_height_mm = models.FloatField(null=True, blank=True, help_text="Wall height of that cup.")
    top_wall_mm = models.FloatField(default=20.0, help_text="Length of thick wall at the open end of a can.")
    ironing_limit_1_percent = models.FloatField(default=25.0)
    ironing_limit_2_percent = models.FloatField(default=28.0)
    ironing_limit_3_percent = models.FloatField(default=42.0)
    ironing_limits_by = models.CharField(max_length=9, choices=Basis, default=Basis.THICKNESS)
    wall_good_um = models.FloatField(default=7.5, help_text="Variation of the wall round a can: good up to this.")
    wall_look_um = models.FloatField(default=10.0)
    wall_act_um = models.FloatField(default=12.5)
    wall_step_um = models.FloatField(default=1.0, help_text="Smallest step of the usual wall gauge.")
    wall_scatter_um = models.FloatField(default=1.0, help_text="Usual standard deviation of one wall reading.")

    version = models.PositiveIntegerField(default=1)

    plant_path = "pk"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(oldest_can_days__gte=1, misread_percent__gte=0, misread_percent__lte=50),
                name="plant_marks_possible",
            ),
            models.CheckConstraint(
                condition=Q(closure_limit_um__gt=0)
                & Q(return_limit_um__gt=0)
                & Q(indicator_resolution_um__gt=0)
                & Q(usual_scatter_um__gt=0)
                & Q(bushing_wear_limit_um__gt=0)
                & Q(shaft_uncertainty_um__gte=0),
                name="plant_limits_positive",
            ),
            models.CheckConstraint(
                condition=Q(risk_percent__gt=0) & Q(risk_percent__lt=100), name="plant_risk_is_a_percentage"
            ),
            models.CheckConstraint(
                condition=Q(machine_risk_percent__gt=0) & Q(machine_risk_percent__lt=100),
                name="plant_machine_risk_is_a_percentage",
            ),
            models.CheckConstraint(
                condition=Q(repeat_out__gte=1) & Q(repeat_visits__gte=models.F("repeat_out")),
                name="plant_repeat_rule_possible",
            ),
            models.CheckConstraint(condition=Q(signals_a_year__gt=0), name="plant_signals_possible"),
            models.CheckConstraint(
                condition=Q(can_cost__gte=0)
                & Q(minute_value__gte=0)
                & Q(tear_off_clear_minutes__gte=0)
                & Q(crew_hours_per_week__gte=0),
                name="plant_costs_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(visit_base_hours__gt=0) & Q(sweep_minutes__gt=0) & Q(assumed_rise_percent__gte=0),
                name="plant_planning_possible",
            ),
            models.CheckConstraint(
                condition=Q(keep_working_days__gte=7) & Q(keep_sign_ins_days__gte=7) & Q(keep_uploads_days__gte=7),
                name="plant_keeps_a_week_at_least",
            ),
            models.CheckConstraint(
                condition=Q(cup_wall_um__gt=0)
                & (Q(cup_height_mm__isnull=True) | Q(cup_height_mm__gt=0))
                & Q(top_wall_mm__gte=0),
                name="plant_cup_possible",
            ),
            models.CheckConstraint(
                condition=Q(ironing_limit_1_percent__gt=0, ironing_limit_1_percent__lt=100)
                & Q(ironing_limit_2_percent__gt=0, ironing_limit_2_percent__lt=100)
                & Q(ironing_limit_3_percent__gt=0, ironing_limit_3_percent__lt=100),
                name="plant_ironing_limits_are_percentages",
            ),
            models.CheckConstraint(
                condition=Q(wall_good_um__gt=0)
                & Q(wall_look_um__gte=models.F("wall_good_um"))
                & Q(wall_act_um__gte=models.F("wall_look_um"))
                & Q(wall_step_um__gt=0)
                & Q(wall_scatter_um__gt=0),
                name="plant_wall_levels_rise",
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
