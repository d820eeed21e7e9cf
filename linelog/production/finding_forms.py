"""What people type about a finding: parsed and checked here, once."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import uuid4

from django import forms

from linelog.plant.forms.machines import MachineField, machines_of
from linelog.plant.models import DefectCode, FindingPlace, Plant
from linelog.production.days import local_day
from linelog.production.forms import WholeField
from linelog.production.made import Told
from linelog.production.models import Finding
from linelog.production.services.findings import MOST_CANS, Facts
from linelog.web.forms import BAD_DATE, DateInput, TextLine, offer_rows

FEW_LINES = forms.Textarea(attrs={"rows": 2})
FOLLOW_UP = ("customer_reference", "containment", "cause", "action")
MARK_HELP = "As it stands in the dome; ? for a letter or digit that can't be read. Empty where there is none."


class HowMany(WholeField):
    """At least one can."""

    default_error_messages = {"required": "Give how many cans."}

    def validate(self, value: Any) -> None:
        """Refuse zero: nothing found is no finding."""
        super().validate(value)
        if value is not None and not 1 <= value <= MOST_CANS:
            most = f"{MOST_CANS:,}".replace(",", " ")
            raise forms.ValidationError(f"Give how many cans, from 1 to {most}: nothing found is no finding.")


def _short(label: str, length: int, **more: Any) -> forms.CharField:
    said = {"max_length": f"At most {length} letters."}
    return TextLine(label=label, max_length=length, required=False, error_messages=said, **more)


class FindingForm(forms.Form):
    """A finding: where, what, how many, and what the can says of itself."""

    place = forms.ModelChoiceField(
        FindingPlace.objects.none(),
        label="Where found",
        empty_label=None,
        widget=forms.RadioSelect,
        error_messages={"required": "Say where it was found.", "invalid_choice": "There is no such place here."},
    )
    code = forms.ModelChoiceField(
        DefectCode.objects.none(),
        label="What is wrong",
        empty_label="Choose",
        error_messages={"required": "Choose a defect code.", "invalid_choice": "There is no such defect code here."},
    )
    quantity = HowMany(label="How many cans", initial=1)
    found_on = forms.DateField(label="Found on", widget=DateInput, error_messages=BAD_DATE)
    mark = _short("Mark in the dome", 8, help_text=MARK_HELP)
    machine = MachineField(required=False, label="Or the machine, where it is known", empty_label="Not known")
    date_code = _short("Date code on the can", 24)
    made_on = forms.DateField(
        required=False,
        label="Made on",
        widget=DateInput,
        error_messages=BAD_DATE,
        help_text="Where there is neither this nor a code, the day found is taken.",
    )
    made_time = forms.TimeField(
        required=False,
        label="At about",
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        error_messages={"invalid": "Give a time of day, such as 06:00."},
    )
    complaint = _short(
        "Complaint number", 30, help_text="Where a customer complained: it stays open until it is closed."
    )
    customer_reference = _short("Customer's reference", 60)
    containment = _short("Containment", 500, widget=FEW_LINES, help_text="What was held, sorted or warned at once.")
    cause = _short("Cause found", 500, widget=FEW_LINES)
    action = _short("Action", 500, widget=FEW_LINES, help_text="What was done against the cause.")
    complaint_closed_on = forms.DateField(
        required=False, label="Complaint closed on", widget=DateInput, error_messages=BAD_DATE
    )
    note = _short("Note", 500, widget=FEW_LINES)

    def __init__(self, *args: Any, user: Any, plant: Plant, **more: Any) -> None:
        super().__init__(*args, **more)
        choices: dict[str, Any] = {
            "place": plant.finding_places.all(),
            "code": plant.defect_codes.all(),
            "machine": machines_of(user).filter(line__plant=plant),
        }
        for name, rows in choices.items():
            offer_rows(self, name, rows)
        reads = (
            f"It reads: {plant.date_code}." if plant.date_code else "How it reads is not described for this plant."
        )
        self.fields["date_code"].help_text = reads

    def clean_mark(self) -> str:
        """Return the mark without blanks inside or about it."""
        return "".join(str(self.cleaned_data["mark"]).split())

    def facts(self) -> Facts:
        """Return what was typed, ready to be stored."""
        given = self.cleaned_data
        told = Told(given["found_on"], given["made_on"], given["made_time"], given["date_code"].strip())
        return Facts(
            place=given["place"],
            code=given["code"],
            quantity=given["quantity"],
            told=told,
            mark=given["mark"],
            machine=given["machine"],
            note=given["note"],
            complaint=given["complaint"].strip(),
            complaint_closed_on=given["complaint_closed_on"],
            **{name: given[name].strip() for name in FOLLOW_UP},
        )


class NewFindingForm(FindingForm):
    """A finding that is entered, with a photo if there is one."""

    photo = forms.FileField(
        required=False, label="Photo", error_messages={"empty": "The file is empty (0 bytes)."},
        widget=forms.FileInput(attrs={"accept": "image/*"}),
    )  # fmt: skip
    key = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    def __init__(self, *args: Any, now: dt.datetime, plant: Plant, **more: Any) -> None:
        super().__init__(*args, plant=plant, **more)
        self.fields["found_on"].initial = local_day(plant, now)
        self.fields["key"].initial = uuid4().hex


class CorrectFindingForm(FindingForm):
    """A stored finding, to be corrected; `version` is what the person saw."""

    version = forms.IntegerField(
        widget=forms.HiddenInput, error_messages={"required": "Reload the page.", "invalid": "Reload the page."}
    )


class FindingPhotoForm(forms.Form):
    """One more photo."""

    photo = forms.FileField(
        label="Photo",
        error_messages={"required": "Choose a picture.", "empty": "The file is empty (0 bytes)."},
        widget=forms.FileInput(attrs={"accept": "image/*"}),
    )


def initial_of(finding: Finding) -> dict[str, Any]:
    """Return a stored finding as the form shows it."""
    shown = (
        "quantity",
        "found_on",
        "mark",
        "date_code",
        "made_time",
        "note",
        "complaint",
        "complaint_closed_on",
        *FOLLOW_UP,
        "version",
    )
    typed_day = finding.made_on if finding.made_by == Finding.MadeBy.TYPED else None
    chosen = {"place": finding.place_id, "code": finding.code_id, "machine": finding.machine_id}
    return {**chosen, **{name: getattr(finding, name) for name in shown}, "made_on": typed_day}
