"""Forms of the people pages."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth import authenticate
from django.http import HttpRequest

from linelog.plant import people
from linelog.plant.models import Person
from linelog.web.forms import TextLine, offer, offer_rows
from linelog.web.generic import ModelForm


class NewPassword(forms.CharField):
    """A password that is about to be set."""

    widget = forms.PasswordInput(attrs={"autocomplete": "new-password"})

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"label": "New password", "max_length": 128, "strip": False, **kwargs})


class NewPin(forms.CharField):
    """A PIN that is about to be set."""

    widget = forms.PasswordInput(attrs={"autocomplete": "new-password", "inputmode": "numeric", "maxlength": 6})

    def __init__(self, **kwargs: Any) -> None:
        more = {"label": "New PIN", "max_length": 6, "error_messages": {"max_length": "A PIN is 4 to 6 digits."}}
        super().__init__(**{**more, **kwargs})


class _AnyPersonForm(ModelForm):
    """What is known of a person; the choices are those of the one who fills it in."""

    class Meta:
        model = Person
        fields = ["first_name", "last_name", "role", "unit", "plant", "is_active"]
        field_classes = {"first_name": TextLine, "last_name": TextLine}
        labels = {"is_active": "May sign in", "unit": "Reads and types lengths in", "first_name": "First name"}
        help_texts = {"is_active": "Without it every session of theirs ends; what they logged stays."}

    def __init__(self, *args: Any, by: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        roles = people.roles_for(by)
        self.fields["first_name"].required = True
        offer(self, "role", [(role.value, role.value.capitalize()) for role in roles])
        offer_rows(self, "plant", people.plants_for(by))
        if by.plant_id is not None:
            del self.fields["plant"]

    def facts(self, by: Any) -> dict[str, Any]:
        """Return the cleaned values as the services take them."""
        kept = {name: value for name, value in self.cleaned_data.items() if name in self.Meta.fields}
        return kept if by.plant_id is None else {**kept, "plant": by.plant}

    def validate_constraints(self) -> None:
        """Leave the rules between fields to the service, which says them in its own words."""


class PersonForm(_AnyPersonForm):
    """A person who is known, in the version that was seen."""

    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1, max_value=2**31 - 1)


class NewPersonForm(_AnyPersonForm):
    """A new person, with the name and the first password to sign in with."""

    password = NewPassword(label="First password")

    class Meta(_AnyPersonForm.Meta):
        fields = ["first_name", "last_name", "username", "role", "unit", "plant"]
        labels = {**_AnyPersonForm.Meta.labels, "username": "Signs in as"}
        help_texts = {"username": "Letters, digits and . - _ without spaces."}


class ConfirmedForm(forms.Form):
    """A change that asks for one's own password first: a session left open is not enough for it."""

    own_password = forms.CharField(
        label="Your own password",
        max_length=128,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )

    def __init__(self, *args: Any, request: HttpRequest, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request

    def clean_own_password(self) -> str:
        """Check it as a sign-in is checked, with the same lock-out after wrong tries."""
        given: str = self.cleaned_data["own_password"]
        name = self.request.user.get_username()
        if authenticate(self.request, username=name, password=given) is None:
            raise forms.ValidationError("That is not your password.")
        return given


class PasswordForm(ConfirmedForm):
    """A new password."""

    password = NewPassword()
    field_order = ["password", "own_password"]


class PinForm(ConfirmedForm):
    """A new PIN."""

    pin = NewPin()
    field_order = ["pin", "own_password"]


class UnitForm(forms.Form):
    """The unit for lengths."""

    unit = forms.ChoiceField(choices=Person.UnitChoice.choices, label="Lengths are shown and typed in")
