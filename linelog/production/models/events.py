"""Things that happened to a machine and may have moved something."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from linelog.plant.models import Machine
from linelog.plant.models.scoped import Scoped


class Event(models.Model):
    """A dated event of a machine."""

    class Kind(models.TextChoices):
        """What happened."""

        JAM = "jam", "Jam"
        CRASH = "crash", "Crash"
        RAM_WORK = "ram_work", "Ram or punch work"
        BUSHING_WORK = "bushing_work", "Bushing work"
        CRADLE_WORK = "cradle_work", "Cradle or bed work"
        DOMER_WORK = "domer_work", "Domer work"
        METAL = "metal", "Coil or metal change"
        LUBRICATION = "lubrication", "Lubrication or coolant"
        PRESSURE = "pressure", "Pressure or timing set"
        OTHER = "other", "Other"

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="events")
    at = models.DateTimeField()
    kind = models.CharField(max_length=16, choices=Kind)
    coil_lot = models.CharField(
        max_length=40, blank=True, help_text="Of the metal fed from then on, where it is known."
    )
    note = models.CharField(max_length=200, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-at"]
        indexes = [models.Index(fields=["machine", "at"])]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} on {self.machine}"

    @property
    def remark(self) -> str:
        """The coil lot, where one is given, and the note."""
        return ", ".join(part for part in (f"coil lot {self.coil_lot}" if self.coil_lot else "", self.note) if part)
