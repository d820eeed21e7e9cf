"""Querysets that begin with what a person may see."""

from __future__ import annotations

from typing import Any, Protocol, Self, TypeVar, cast

from django.db import models

Row = TypeVar("Row", bound=models.Model)


class OfPlant(Protocol):
    """A model whose rows belong to a plant; `plant_path` is how a row reaches it."""

    plant_path: str


class Scoped(models.QuerySet[Row]):
    """Rows of the person's own plant; an administrator without a plant sees every plant.

    The model says in `plant_path` how a row reaches its plant.
    """

    def for_user(self, user: Any) -> Self:
        """Return only what this person may see; nobody sees nothing."""
        if not getattr(user, "is_authenticated", False):
            return self.none()
        if user.plant_id is None:
            return self.all() if user.role == "administrator" else self.none()
        path = cast("type[OfPlant]", self.model).plant_path
        return self.filter(**{path: user.plant_id})
