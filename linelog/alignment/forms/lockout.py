"""Forms of a lockout: verified, hung with one's own lock, the machine returned to service."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django import forms
from django.utils import timezone

from linelog.alignment.lockout import LockoutStatus
from linelog.alignment.services.lockouts import AtWork, Return, Verification
from linelog.web.forms import TextLine, offer

DATETIME_LOCAL = "%Y-%m-%dT%H:%M"


def when_field(**kwargs: Any) -> forms.DateTimeField:
    """Return a date and time in the plant's zone."""
    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format=DATETIME_LOCAL)
    return forms.DateTimeField(widget=widget, input_formats=[DATETIME_LOCAL, f"{DATETIME_LOCAL}:%S"], **kwargs)


class LockoutForm(forms.Form):
    """Who verified the lockout, when, and that it was tried. Nothing of it is filled in beforehand but the number."""

    lockout_verified_by = TextLine(label="Lockout verified by", max_length=80, required=False)
    lockout_verified_at = when_field(label="Verified at", required=False, help_text="Left empty: just now.")
    lockout_lock = TextLine(
        label="Number of this person's own lock", max_length=30, required=False, help_text="Each hangs their own."
    )
    lockout_procedure = TextLine(label="Procedure number", max_length=60, required=False)
    lockout_tried = forms.BooleanField(label="It was tried to start, and stays dead", required=False)
    lockout_handed_over = forms.BooleanField(
        label="It is taken over from the shift before, whose locks hung until this one was on", required=False
    )

    def clean(self) -> dict[str, Any]:
        """Refuse one without the other, and a time that has not come. Left empty as a whole it says nothing."""
        data = super().clean() or {}
        by, at = (data.get("lockout_verified_by") or "").strip(), data.get("lockout_verified_at")
        said = at or data.get("lockout_tried") or data.get("lockout_lock") or data.get("lockout_handed_over")
        if said and not by and "lockout_verified_by" not in self.errors:
            self.add_error("lockout_verified_by", "Who verified the lockout?")
        if by and not data.get("lockout_tried") and "lockout_tried" not in self.errors:
            self.add_error("lockout_tried", "Try to start it, see that it stays dead, and say so here.")
        if at and at > timezone.now() + timedelta(minutes=2):
            self.add_error("lockout_verified_at", "This time has not come yet.")
        return data

    def lockout(self) -> Verification | None:
        """Return what the service takes, or None where it was left empty."""
        data = self.cleaned_data
        by = data["lockout_verified_by"].strip()
        if not by:
            return None
        return Verification(
            by,
            data["lockout_verified_at"],
            data["lockout_procedure"].strip(),
            data["lockout_lock"].strip(),
            data["lockout_handed_over"],
        )


class VerifyForm(LockoutForm):
    """A lockout that is verified now: who, and that it was tried, must be said."""

    lockout_verified_by = TextLine(
        label="Lockout verified by", max_length=80, error_messages={"required": "Who verified the lockout?"}
    )
    lockout_tried = forms.BooleanField(
        label="It was tried to start, and stays dead",
        error_messages={"required": "Try to start it, see that it stays dead, and say so here."},
    )

    def verification(self) -> Verification:
        """Return what the service takes."""
        given = self.lockout()
        if given is None:
            raise ValueError("asked for before the form was found valid")
        return given


class OwnLockForm(forms.Form):
    """One's own lock, hung on the lockout that stands."""

    name = TextLine(label="Whose lock", max_length=80)
    number = TextLine(label="Number of the lock or tag", max_length=30, required=False)


class ReturnForm(forms.Form):
    """The return to service. Nothing is ticked beforehand."""

    returned_by = TextLine(label="Returned to service by", max_length=80)
    tools_counted = forms.BooleanField(label="Indicator, bar and fittings are out and counted", required=False)
    guards_closed = forms.BooleanField(label="All guards are closed", required=False)
    people_clear = forms.BooleanField(label="Everybody is clear of the machine", required=False)
    spoken_to = forms.BooleanField(label="I have spoken to them, and they are clear", required=False)
    locks_off = forms.TypedMultipleChoiceField(
        label="Each took off their own lock",
        coerce=int,
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )

    def __init__(self, *args: Any, status: LockoutStatus, other: AtWork | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if other is None:
            del self.fields["spoken_to"]
        else:
            self.fields["spoken_to"].label = f"I have spoken to {other.person}, who is clear of the machine"
        if status.locks_on:
            offer(self, "locks_off", [(lock.pk, str(lock)) for lock in status.locks_on])
        else:
            del self.fields["locks_off"]

    def given(self) -> Return:
        """Return what the service takes."""
        data = self.cleaned_data
        return Return(
            returned_by=data["returned_by"],
            tools_counted=data["tools_counted"],
            guards_closed=data["guards_closed"],
            people_clear=data["people_clear"],
            locks_off=frozenset(data.get("locks_off", ())),
            spoken_to=data.get("spoken_to", False),
        )
