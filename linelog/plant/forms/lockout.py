"""The form of a plant's, or a machine's, lockout."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.plant.forms.base import SetUpForm
from linelog.plant.forms.fields import number as decimal
from linelog.plant.forms.fields import text, whole


def _words(label: str, **kwargs: Any) -> forms.CharField:
    return forms.CharField(
        label=label, max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 3}), **kwargs
    )


class LockoutProcedureForm(SetUpForm):
    """The site's own words and times; what is left empty comes from the plant, else from the program."""

    number = text("Number of the site's lockout procedure", 60, required=False)
    isolation_points = _words("Isolation points", help_text="Each source with its place and what turns it off.")
    stored_energies = _words("Stored energies", help_text="And how each is released or held.")
    pinch_points = _words("Pinch points")
    after_try_out = _words("After the try-out", help_text="How the controls are left.")
    lasts_hours = decimal(
        "A lockout stands for at most (hours)", 0.5, 12, required=False, help_text="Left empty: as long as a shift."
    )
    ends_with_shift = forms.BooleanField(required=False, label="It ends when the shift changes")
    overlap_minutes = whole("Verified so shortly before a shift begins, it belongs to that one (minutes)", 0, 240)

    groups = (
        (
            "Words shown before a lockout is verified",
            (
                *("number", "isolation_points", "stored_energies"),
                *("pinch_points", "after_try_out"),
            ),
        ),
        ("How long it stands", ("lasts_hours", "ends_with_shift", "overlap_minutes")),
    )
