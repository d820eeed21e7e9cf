"""A file of counts: kept as it came, previewed, and stored when the person says so."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from linelog.plant.models import Plant
from linelog.plant.models.scoped import scoped
from linelog.web.models import Job


class Upload(models.Model):
    """A file and what became of it."""

    class State(models.TextChoices):
        """How far it is."""

        CHECKING = "checking", "Being read"
        PREVIEWED = "previewed", "Read, not stored"
        REFUSED = "refused", "Cannot be read"
        STORING = "storing", "Being stored"
        STORED = "stored", "Stored"
        CANCELLED = "cancelled", "Cancelled"

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
    problems = models.JSONField(default=list, help_text="The first bad rows: line, column, value, why.")
    job = models.ForeignKey(Job, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")

    objects = scoped("plant").as_manager()

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["plant", "sha256"])]

    def __str__(self) -> str:
        return self.name
