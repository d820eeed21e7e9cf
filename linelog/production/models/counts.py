"""Shift counts of a machine, and their sums per production day."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from linelog.plant.models import Machine, Plant, Shift
from linelog.plant.models.scoped import Scoped
from linelog.production.models.uploads import Upload

NOT_NEGATIVE = (
    Q(cans__gte=0)
    & Q(spoiled__gte=0)
    & Q(tear_offs__gte=0)
    & Q(short_cans__gte=0)
    & Q(jams__gte=0)
    & Q(minutes_down__gte=0)
)


class SpoilageCause(models.Model):
    """A cause a plant sorts its spoilage by."""

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="causes")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=60)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "code"]
        constraints = [models.UniqueConstraint(fields=["plant", "code"], name="one_cause_code_per_plant")]

    def __str__(self) -> str:
        return self.name


class Counts(models.Model):
    """The numbers of a shift or a day. `cans` are good cans made; spoiled ones come on top."""

    cans = models.BigIntegerField(default=0)
    spoiled = models.BigIntegerField(default=0)
    tear_offs = models.IntegerField(default=0)
    short_cans = models.IntegerField(default=0)
    jams = models.IntegerField(default=0)
    minutes_down = models.FloatField(default=0.0)

    class Meta:
        abstract = True


class ShiftCount(Counts):
    """One machine, one production day, one shift."""

    # The unique index begins with the machine; an index of its own for each of these would halve the import's speed.
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="shift_counts", db_index=False)
    day = models.DateField()
    shift = models.ForeignKey(Shift, on_delete=models.PROTECT, related_name="+", db_index=False)
    by_cause = models.JSONField(default=dict, help_text="Spoiled cans by cause code; the rest has no cause given.")
    upload = models.ForeignKey(
        Upload, on_delete=models.SET_NULL, null=True, blank=True, related_name="+", db_index=False
    )
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-day", "machine", "shift"]
        indexes = [models.Index(fields=["day"])]  # the newest shifts of all machines, a page at a time
        constraints = [
            models.UniqueConstraint(fields=["machine", "day", "shift"], name="one_count_per_machine_and_shift"),
            models.CheckConstraint(condition=NOT_NEGATIVE, name="shift_counts_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.machine} {self.day} {self.shift}"


class DayCount(Counts):
    """The sum of a machine's shifts of one production day, kept up to date by what writes shifts."""

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="day_counts", db_index=False)
    day = models.DateField(db_index=True)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine", "day"]
        constraints = [
            models.UniqueConstraint(fields=["machine", "day"], name="one_sum_per_machine_and_day"),
            models.CheckConstraint(condition=NOT_NEGATIVE, name="day_counts_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.machine} {self.day}"


class CountChange(models.Model):
    """A shift row that was replaced or taken out: what it said before, who changed it and when."""

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="+", db_index=False)
    day = models.DateField()
    shift = models.ForeignKey(Shift, on_delete=models.PROTECT, related_name="+", db_index=False)
    before = models.JSONField()
    after = models.JSONField(null=True)
    upload = models.ForeignKey(Upload, on_delete=models.SET_NULL, null=True, related_name="+", db_index=False)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["machine", "day"]), models.Index(fields=["at"])]

    def __str__(self) -> str:
        return f"{self.machine} {self.day} {self.shift} changed"
