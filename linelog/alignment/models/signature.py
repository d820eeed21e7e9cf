"""Whose signature stands under a visit: name and role as they were that day, and the names that the record uses."""

from __future__ import annotations

from django.db import models

from linelog.alignment.models.visit import Visit
from linelog.web.permissions import Role


class Signature(models.Model):
    """What is frozen with a signature. The rows of the record are kept as they are; the names they use stand here.

    `names` holds the texts of that day: machine, line, plant and opened_by, and by number stations, adjusters and
    people. `digest` is the fingerprint of the whole record as the signer saw it; empty for visits signed before
    2026-11-30 and for the invented ones.
    """

    class Proof(models.TextChoices):
        """How the signer showed who they are."""

        PIN = "pin", "PIN, given again"
        PASSWORD = "password", "password, given again"
        SESSION = "session", "signed in"
        EARLIER = "", "not written down then"

    visit = models.OneToOneField(Visit, on_delete=models.CASCADE, related_name="signature")
    name = models.CharField(max_length=301)
    role = models.CharField(max_length=16, choices=[(role.value, role.value.capitalize()) for role in Role])
    proof = models.CharField(max_length=8, choices=Proof, blank=True)
    digest = models.CharField(max_length=64, blank=True)
    names = models.JSONField()

    class Meta:
        constraints = [models.CheckConstraint(condition=~models.Q(name=""), name="signature_has_a_name")]

    def __str__(self) -> str:
        return f"{self.name}, {self.get_role_display().lower()}"
