"""Secret addresses of a line for what cannot sign in: calendar programs, and displays on a wall."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from linelog.plant.models import Line
from linelog.plant.models.scoped import Scoped


class CalendarAddress(models.Model):
    """Whoever has the address reads what it is for, of one line; only the fingerprint of its secret is kept."""

    class Kind(models.TextChoices):
        """What is read there."""

        CALENDAR = "calendar", "The plan, as a calendar"
        DISPLAY = "display", "How the line stands, on a wall"

    kind = models.CharField(max_length=8, choices=Kind, default=Kind.CALENDAR)
    line = models.ForeignKey(Line, on_delete=models.CASCADE, related_name="calendar_addresses")
    digest = models.CharField(max_length=64, unique=True, help_text="SHA-256 of the secret part.")
    label = models.CharField(max_length=60, help_text="Who or what reads it.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    revoked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    revoked_at = models.DateTimeField(null=True)

    plant_path = "line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(revoked_by__isnull=True, revoked_at__isnull=True)
                | Q(revoked_by__isnull=False, revoked_at__isnull=False),
                name="calendar_revoked_by_and_at_together",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.line} for {self.label}"
