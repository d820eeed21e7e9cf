"""The bump test of a ring of probes: what each reading did when the ram was pushed by hand."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from linelog.alignment.models.capture import ProbeSetup
from linelog.plant.models.scoped import Scoped


class BumpTest(models.Model):
    """One bump test. It holds for the ring that it was made with and no longer than that stands so.

    `ring` tells view, columns, clock angles and signs as they were; `seen` by push, in the ring's order, what each
    reading did; `causes` what would explain a wrong outcome (`calc/capture/bump.py`).
    """

    setup = models.ForeignKey(ProbeSetup, on_delete=models.CASCADE, related_name="bump_tests")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    ring = models.JSONField()
    seen = models.JSONField()
    right = models.BooleanField()
    wrong_columns = models.JSONField(default=list)
    causes = models.JSONField(default=list)

    plant_path = "setup__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-at", "-id"]

    def __str__(self) -> str:
        return f"Bump test of {self.setup}"
