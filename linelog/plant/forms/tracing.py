"""Forms of the lists that findings are sorted by."""

from __future__ import annotations

from django import forms

from linelog.plant.forms.base import SetUpForm
from linelog.plant.forms.fields import text, whole
from linelog.plant.models import Station, Symptom
from linelog.web.forms import plain_code


class PlaceForm(SetUpForm):
    """A place where findings are made."""

    name = text("Name of the place")
    order = whole("Place in the list", 0, 999, initial=10)


class DefectCodeForm(SetUpForm):
    """A defect code."""

    code = text("Code", 20, help_text="Letters, digits, - _ . and no blanks.", validators=[plain_code])
    name = text("What is wrong with the can", 60)


class SymptomForm(SetUpForm):
    """A row of the symptom table: a station and how it would be off, or another cause."""

    station_kind = forms.ChoiceField(
        label="Station", required=False, choices=[("", "No station: another cause"), *Station.Kind.choices]
    )
    aspect = forms.ChoiceField(label="Which is", required=False, choices=[("", "–"), *Symptom.Aspect.choices])
    other = forms.ChoiceField(label="Other cause", required=False, choices=[("", "–"), *Symptom.Other.choices])
    words = text("Why one would look there", 200)
