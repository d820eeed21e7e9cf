"""A file of counts: kept as it came, previewed, and stored when the person says so."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from linelog.plant.models import Plant
from linelog.plant.models.scoped import Scoped
from linelog.web.models import Job


class Upload(models.Model):
    """A file and what became of it."""

    class State(models.TextChoices):
        """How far it is."""

        CHECKING = "checking", "Being read"
        QUESTION = "question", "Waits for an answer"
        PREVIEWED = "previewed", "Read, not stored"
        REFUSED = "refused", "Cannot be read"
        STORING = "storing", "Being stored"
        STORED = "stored", "Stored"
        CANCELLED = "cancelled", "Cancelled"

    class DateOrder(models.TextChoices):
        """How 03/04/2026 is meant, where the file itself does not show it."""

        DAY_FIRST = "dmy", "Day first: 03/04/2026 is 3 April"
        MONTH_FIRST = "mdy", "Month first: 03/04/2026 is March 4"

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="uploads")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    name = models.CharField(max_length=200)
    file = models.FileField(upload_to="uploads/%Y/%m/")
    sha256 = models.CharField(max_length=64)
    size = models.BigIntegerField()
    state = models.CharField(max_length=10, choices=State, default=State.CHECKING)
    sentence = models.CharField(max_length=500, blank=True)
    rows = models.IntegerField(default=0)
    bad_rows = models.IntegerField(default=0)
    new_rows = models.IntegerField(default=0)
    changed_rows = models.IntegerField(default=0)
    same_rows = models.IntegerField(default=0)
    odd_rows = models.IntegerField(default=0, help_text="Good rows with more spoiled than good cans.")
    problems = models.JSONField(default=list, help_text="The first bad rows: line, column, value, why.")
    changes = models.JSONField(default=list, help_text="The first changed rows: what is stored, what the file says.")
    notes = models.JSONField(default=list, help_text="What the reader should know before storing, a sentence each.")
    date_order = models.CharField(max_length=3, choices=DateOrder, blank=True)
    handled = models.IntegerField(default=0, help_text="Good rows already dealt with, in the order of storing.")
    stored_new = models.IntegerField(default=0)
    stored_changed = models.IntegerField(default=0)
    stored_same = models.IntegerField(default=0)
    job = models.ForeignKey(Job, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["plant", "sha256"])]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(handled__gte=0) & models.Q(handled__lte=models.F("rows") - models.F("bad_rows")),
                name="upload_handles_no_more_than_it_has",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def good_rows(self) -> int:
        """Rows that can be stored."""
        return self.rows - self.bad_rows

    @property
    def left_to_store(self) -> int:
        """Good rows that are not dealt with yet."""
        return self.good_rows - self.handled

    @property
    def is_half_stored(self) -> bool:
        """Whether some rows are in and others are not."""
        return self.state != self.State.STORED and 0 < self.handled < self.good_rows
