"""Querysets that begin with what a person may see."""

from __future__ import annotations

from typing import Any, Self, TypeVar

from django.db import models

Row = TypeVar("Row", bound=models.Model)


class Scoped(models.QuerySet[Row]):
    """Rows of the person's own plant; an administrator without a plant sees every plant."""

    plant_path = "plant"

    def for_user(self, user: Any) -> Self:
        """Return only what this person may see; nobody sees nothing."""
        if not getattr(user, "is_authenticated", False):
            return self.none()
        if user.plant_id is None:
            return self.all() if user.role == "administrator" else self.none()
        return self.filter(**{self.plant_path: user.plant_id})


def scoped(path: str) -> type[Scoped[Any]]:
    """Return a queryset class whose rows reach their plant by this path."""
    return type("ScopedQuerySet", (Scoped,), {"plant_path": path})
