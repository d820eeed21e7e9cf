"""The people who sign in."""

from __future__ import annotations

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import Q

from linelog.plant.models.plant import Plant
from linelog.plant.models.scoped import Scoped
from linelog.web.permissions import Role


class Person(AbstractUser):
    """A person with a role in one plant; an administrator may belong to none and then sees all."""

    class UnitChoice(models.TextChoices):
        """The unit lengths are shown and typed in."""

        MM = "mm", "mm"
        UM = "um", "µm"
        INCH = "inch", "inch"

    plant = models.ForeignKey(Plant, on_delete=models.PROTECT, null=True, blank=True, related_name="people")
    role = models.CharField(
        max_length=16,
        choices=[(role.value, role.value.capitalize()) for role in Role],
        default=Role.VIEWER.value,
    )
    unit = models.CharField(max_length=5, choices=UnitChoice, default=UnitChoice.MM)
    pin_hash = models.CharField(max_length=128, blank=True)
    pin_failures = models.PositiveSmallIntegerField(default=0)
    pin_locked_until = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    scoped = Scoped.as_manager()

    class Meta(AbstractUser.Meta):
        ordering = ["first_name", "last_name", "username"]
        default_manager_name = "objects"
        constraints = [
            models.CheckConstraint(
                condition=Q(plant__isnull=False) | Q(role=Role.ADMINISTRATOR.value) | Q(is_active=False),
                name="person_belongs_to_a_plant",
            ),
            models.CheckConstraint(condition=Q(role__in=[role.value for role in Role]), name="person_role_known"),
        ]

    def __str__(self) -> str:
        return self.get_full_name() or self.username
