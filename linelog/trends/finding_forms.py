"""What a reader may ask of the findings."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms

from linelog.plant.forms.machines import MachineField, machines_of
from linelog.plant.models import DefectCode, FindingPlace, Machine, Plant
from linelog.web.forms import BAD_DATE, DateInput, TextLine, ends_after_it_begins, known_day, offer_rows

NEAR = (("7", "7 days"), ("14", "14 days"), ("30", "30 days"), ("90", "90 days"))
USUAL_NEAR = 14
MOST_DAYS = 728  # of a Pareto chart: the cans of as many days are read


def _day(label: str) -> forms.DateField:
    return forms.DateField(
        required=False, label=label, widget=DateInput, error_messages=BAD_DATE, validators=[known_day]
    )


def _one_of(model: Any, label: str, nothing: str) -> forms.ModelChoiceField[Any]:
    return forms.ModelChoiceField(
        model.objects.none(),
        label=label,
        required=False,
        empty_label=nothing,
        error_messages={"invalid_choice": f"There is no such {label.lower()} here."},
    )


class SpanForm(forms.Form):
    """A span of days made."""

    since = _day("Made from")
    until = _day("Made to")

    def clean(self) -> dict[str, Any]:
        """Refuse a span that ends before it begins."""
        given: dict[str, Any] = super().clean() or {}
        ends_after_it_begins(self, "since", "until")
        return given


class FindingsForm(SpanForm):
    """Which findings are listed."""

    machine = MachineField(required=False, empty_label="All machines")
    code = _one_of(DefectCode, "Defect code", "All codes")
    place = _one_of(FindingPlace, "Place", "All places")
    mark = TextLine(
        required=False, max_length=8, label="Mark", error_messages={"max_length": "A mark has 8 letters at most."}
    )
    text = TextLine(
        required=False, max_length=40, label="Complaint or text", error_messages={"max_length": "At most 40 letters."}
    )
    field_order = ("machine", "code", "place", "mark", "text", "since", "until")

    def __init__(self, *args: Any, user: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        chosen: dict[str, Any] = {"machine": machines_of(user)}
        chosen |= {"code": DefectCode.objects.for_user(user), "place": FindingPlace.objects.for_user(user)}
        for name, rows in chosen.items():
            offer_rows(self, name, rows)


class NearForm(forms.Form):
    """How many days around a finding others are looked for, and as whose finding it is looked at."""

    days = forms.ChoiceField(
        choices=NEAR, required=False, label="Others within",
        error_messages={"invalid_choice": "Choose 7, 14, 30 or 90 days."},
    )  # fmt: skip
    machine = forms.IntegerField(
        required=False, min_value=1, max_value=2**31 - 1, error_messages=dict.fromkeys(
            ("invalid", "min_value", "max_value"), "There is no such machine here."
        ),
    )  # fmt: skip

    def asked(self) -> tuple[int, int | None]:
        """Return the days and the machine, or the usual where the address makes no sense."""
        if not self.is_valid():
            return USUAL_NEAR, None
        return int(self.cleaned_data["days"] or USUAL_NEAR), self.cleaned_data["machine"]


def as_found_words(found_on: dt.date, made_on: dt.date) -> str:
    """Say how long after it was made it was found."""
    days = (found_on - made_on).days
    return "the same day" if days == 0 else f"{days} day{'' if days == 1 else 's'} later"


class ParetoForm(SpanForm):
    """Which findings are counted in the Pareto charts."""

    code = _one_of(DefectCode, "Defect code", "All codes")
    machine = MachineField(required=False, empty_label="All machines")
    field_order = ("since", "until", "code", "machine")

    def __init__(self, *args: Any, plant: Plant, **more: Any) -> None:
        super().__init__(*args, **more)
        machines = Machine.objects.filter(line__plant=plant).select_related("line")
        offer_rows(self, "machine", machines.order_by("line__name", "name"))
        offer_rows(self, "code", DefectCode.objects.filter(plant=plant))
