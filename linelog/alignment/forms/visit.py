"""Forms of a visit as a whole."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django import forms
from django.utils import timezone

from linelog.alignment.models import Stage, Visit
from linelog.alignment.services.moves import RunningValue
from linelog.alignment.services.visits import AmendedValue, Conditions, Lockout
from linelog.calc.units import Unit
from linelog.web.forms import offer
from linelog.web.units import LengthField, NumberField, ask_in, shown_in

STATES = (("stopped", "Stopped and locked out"), ("running", "Running"))
DATETIME_LOCAL = "%Y-%m-%dT%H:%M"


def when_field(**kwargs: Any) -> forms.DateTimeField:
    """Return a date and time in the plant's zone."""
    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format=DATETIME_LOCAL)
    return forms.DateTimeField(widget=widget, input_formats=[DATETIME_LOCAL, f"{DATETIME_LOCAL}:%S"], **kwargs)


class ConditionsForm(forms.Form):
    """Why the machine is visited and the state it is in."""

    reason = forms.ChoiceField(choices=Visit.Reason)
    reason_note = forms.CharField(label="More on the reason", max_length=200, required=False)
    machine_state = forms.ChoiceField(
        label="The machine is", choices=STATES, initial="stopped", widget=forms.RadioSelect
    )
    minutes_in_state = forms.IntegerField(
        label="Minutes since it stopped or started", min_value=0, max_value=100_000, required=False
    )
    speed_spm = NumberField(label="Speed (strokes/min)", min_value=0, max_value=1000, required=False)
    oil_c = NumberField(label="Oil temperature (°C)", min_value=-40, max_value=200, required=False)
    room_c = NumberField(label="Room temperature (°C)", min_value=-40, max_value=70, required=False)

    def conditions(self) -> Conditions:
        """Return what the service takes."""
        data = self.cleaned_data
        return Conditions(
            reason=data["reason"],
            reason_note=data["reason_note"],
            machine_runs=data["machine_state"] == "running",
            minutes_in_state=data["minutes_in_state"],
            speed_spm=data["speed_spm"],
            oil_c=data["oil_c"],
            room_c=data["room_c"],
        )


class LockoutForm(forms.Form):
    """Who verified the lockout, and when."""

    lockout_verified_by = forms.CharField(label="Lockout verified by", max_length=80, required=False)
    lockout_verified_at = when_field(label="Verified at", required=False)

    def clean(self) -> dict[str, Any]:
        """Refuse one without the other, and a time that has not come."""
        data = super().clean() or {}
        by, at = (data.get("lockout_verified_by") or "").strip(), data.get("lockout_verified_at")
        if by and not at and "lockout_verified_at" not in self.errors:
            self.add_error("lockout_verified_at", "When was the lockout verified?")
        if at and not by:
            self.add_error("lockout_verified_by", "Who verified the lockout?")
        if at and at > timezone.now() + timedelta(minutes=2):
            self.add_error("lockout_verified_at", "This time has not come yet.")
        return data

    def lockout(self) -> Lockout | None:
        """Return what the service takes, or None where it was left empty."""
        by = self.cleaned_data["lockout_verified_by"].strip()
        return Lockout(by, self.cleaned_data["lockout_verified_at"]) if by else None


class OpenVisitForm(LockoutForm, ConditionsForm):
    """Open a visit; the lockout may follow before the first static reading."""


class EditVisitForm(ConditionsForm):
    """Correct the conditions and write the visit's note."""

    note = forms.CharField(required=False, max_length=4000, widget=forms.Textarea)
    version = forms.IntegerField(widget=forms.HiddenInput)


class DropForm(forms.Form):
    """Why a visit is dropped."""

    why = forms.CharField(label="Why is it dropped?", max_length=200)


class AmendForm(forms.Form):
    """An amendment: the reason, and where a value was wrong, which and what should stand."""

    reason = forms.CharField(label="What was wrong, and how do you know?", max_length=300, widget=forms.Textarea)
    about = forms.ChoiceField(label="Which value", required=False)
    x = LengthField(label="Across should be", required=False)
    y = LengthField(label="Up should be", required=False)
    set_aside = forms.BooleanField(label="Leave this value out of trends", required=False)

    def __init__(self, *args: Any, visit: Visit, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.results = {str(r.pk): r for r in visit.results.select_related("station")}
        names = [
            (key, f"{r.station} {r.get_seat_display() if r.seat else ''} {r.get_stage_display()}")
            for key, r in self.results.items()
        ]
        offer(self, "about", [("", "The visit as a whole"), *names])
        ask_in(self, unit)

    def clean(self) -> dict[str, Any]:
        """Refuse half a value, and a value of nothing."""
        data = super().clean() or {}
        x, y = data.get("x"), data.get("y")
        if (x is None) != (y is None) and not ({"x", "y"} & self.errors.keys()):
            self.add_error("y" if y is None else "x", "Give both across and up, or neither.")
        if (x is not None or data.get("set_aside")) and not data.get("about"):
            self.add_error("about", "Which value is meant?")
        return data

    def value(self) -> AmendedValue | None:
        """Return the value spoken of, or None for the visit as a whole."""
        result = self.results.get(self.cleaned_data["about"])
        if result is None:
            return None
        data = self.cleaned_data
        return AmendedValue(result.station, result.stage, result.seat, data["x"], data["y"], data["set_aside"])


class PhotoForm(forms.Form):
    """A photo to keep with the visit."""

    photo = forms.FileField(label="Photo", widget=forms.FileInput(attrs={"accept": "image/*"}))
    caption = forms.CharField(max_length=120, required=False)


class RunningForm(forms.Form):
    """A running offset from the plant's own measurement."""

    stage = forms.ChoiceField(choices=Stage, label="Measured")
    x = LengthField(label="Across")
    y = LengthField(label="Up")
    expanded = LengthField(label="Uncertainty of each axis (about 95 %)", smallest_um=0.1)
    strokes = forms.IntegerField(min_value=1, max_value=1_000_000, label="Strokes averaged")
    unit = forms.CharField(widget=forms.HiddenInput, required=False)
    seen_as_found = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)
    seen_as_left = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)

    def __init__(self, *args: Any, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **{"auto_id": "running_%s", **kwargs})  # it stands beside other forms with a unit
        self.typed_in = shown_in(self.data.get("unit"), unit)
        self.fields["unit"].initial = self.typed_in.value
        ask_in(self, self.typed_in)

    def value(self) -> RunningValue:
        """Return what the service takes."""
        data = self.cleaned_data
        return RunningValue(data["x"], data["y"], data["expanded"], data["strokes"], self.typed_in.value)

    def version_seen(self) -> int:
        """Return the version that this one replaces: the one decided for, else the one shown for its stage."""
        data = self.cleaned_data
        decided: int | None = data["version"]
        return decided if decided is not None else data[f"seen_{data['stage']}"] or 0
