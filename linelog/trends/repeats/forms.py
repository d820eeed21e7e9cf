"""What people type about a repeat problem."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

from django import forms

from linelog.plant.models import Person, Plant
from linelog.trends.repeats.services import Words
from linelog.web.forms import BAD_DATE, DateInput, known_day, offer_rows


class TakeUpForm(forms.Form):
    """Whose it is and by when; cause, action and day may come later. `key` keeps a double tap from storing twice."""

    owner = forms.ModelChoiceField(queryset=Person.objects.none(), label="Who sees to it", required=False)
    due_on = forms.DateField(
        label="By when", widget=DateInput, required=False, error_messages=BAD_DATE, validators=[known_day]
    )
    cause_found = forms.CharField(
        max_length=400,
        label="Cause found, when it is known",
        widget=forms.Textarea(attrs={"rows": 2}),
        required=False,
    )
    action = forms.CharField(
        max_length=400,
        label="What was done",
        widget=forms.Textarea(attrs={"rows": 2}),
        required=False,
    )
    action_on = forms.DateField(
        label="Done on",
        widget=DateInput,
        required=False,
        help_text="Empty while it is in work. Visits after this day show whether it came back.",
        error_messages=BAD_DATE,
        validators=[known_day],
    )
    key = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    def __init__(self, *args: Any, plant: Plant, **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["key"].initial = uuid4().hex
        rows = Person.objects.filter(plant=plant, is_active=True).order_by("first_name", "last_name", "username")
        offer_rows(self, "owner", rows)

    def words(self) -> Words:
        """Return what was said."""
        given = self.cleaned_data
        return Words(**{name: given[name] for name in ("cause_found", "action", "action_on", "owner", "due_on")})


class ChangeForm(TakeUpForm):
    """What was noted, to be put right; `version` is what the person saw."""

    version = forms.IntegerField(
        widget=forms.HiddenInput, error_messages={"required": "Reload the page.", "invalid": "Reload the page."}
    )
