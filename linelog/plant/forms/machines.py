"""The field in which a machine is chosen, wherever one is."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import QuerySet

from linelog.plant.models import Machine
from linelog.web.widgets import LongSelect


class MachineField(forms.ModelChoiceField[Machine]):
    """A machine, told apart by its line: two lines may both have a first machine."""

    def __init__(self, **more: Any) -> None:
        missing = {"required": "Choose a machine.", "invalid_choice": "There is no such machine in your plant."}
        usual = {"empty_label": "Choose", "widget": LongSelect}
        super().__init__(Machine.objects.none(), error_messages=missing, **{**usual, **more})

    def label_from_instance(self, obj: Machine) -> str:
        """Return what the list shows."""
        return f"{obj.line} · {obj}"


def machines_of(user: Any) -> QuerySet[Machine]:
    """Return the machines a person may choose from, by line."""
    return Machine.objects.for_user(user).select_related("line__plant").order_by("line__name", "name")
