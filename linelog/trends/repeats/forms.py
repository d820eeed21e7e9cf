"""What people type about a repeat problem."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

from django import forms

from linelog.trends.repeats.services import Words
from linelog.web.forms import BAD_DATE, DateInput, known_day


class TakeUpForm(forms.Form):
    """Cause, action and day; `key` keeps a double tap from storing it twice."""

    cause_found = forms.CharField(
        max_length=400,
        label="Cause found",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="What was found to be behind it; 'none yet' where the action is a trial.",
        error_messages={"required": "Say what was found."},
    )
    action = forms.CharField(
        max_length=400,
        label="What was done",
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Say what was done."},
    )
    action_on = forms.DateField(
        label="Done on",
        widget=DateInput,
        help_text="Visits after this day show whether it came back.",
        error_messages=BAD_DATE | {"required": "Give the day on which it was done."},
        validators=[known_day],
    )
    key = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["key"].initial = uuid4().hex

    def words(self) -> Words:
        """Return what was said."""
        given = self.cleaned_data
        return Words(given["cause_found"], given["action"], given["action_on"])


class ChangeForm(TakeUpForm):
    """What was noted, to be put right; `version` is what the person saw."""

    version = forms.IntegerField(
        widget=forms.HiddenInput, error_messages={"required": "Reload the page.", "invalid": "Reload the page."}
    )
