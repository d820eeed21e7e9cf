"""Forms of the lists that findings are sorted by."""

from __future__ import annotations

import re

from django import forms

from linelog.plant.forms.base import SetUpForm
from linelog.plant.forms.fields import text, whole
from linelog.plant.models import Station, Symptom

CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,19}")


class PlaceForm(SetUpForm):
    """A place where findings are made."""

    name = text("Name of the place")
    order = whole("Place in the list", 0, 999, initial=10)


class DefectCodeForm(SetUpForm):
    """A defect code."""

    code = text("Code", 20, help_text="Letters, digits, - _ . and no blanks.")
    name = text("What is wrong with the can", 60)

    def clean_code(self) -> str:
        """Refuse a code that could not be typed or printed everywhere."""
        code = str(self.cleaned_data["code"])
        if not CODE.fullmatch(code):
            raise forms.ValidationError("A code has letters, digits, - _ or . and begins with a letter or digit.")
        return code


class SymptomForm(SetUpForm):
    """A row of the symptom table: a station and how it would be off, or another cause."""

    station_kind = forms.ChoiceField(
        label="Station", required=False, choices=[("", "No station: another cause"), *Station.Kind.choices]
    )
    aspect = forms.ChoiceField(label="Which is", required=False, choices=[("", "–"), *Symptom.Aspect.choices])
    other = forms.ChoiceField(label="Other cause", required=False, choices=[("", "–"), *Symptom.Other.choices])
    words = text("Why one would look there", 200)
