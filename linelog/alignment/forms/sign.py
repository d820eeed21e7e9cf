"""The form under what will be signed."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.alignment.models import Signature

SECRETS = {Signature.Proof.PIN: "pin", Signature.Proof.PASSWORD: "password"}


class SignForm(forms.Form):
    """What the signer saw, and the PIN or password where it is asked for again."""

    seen = forms.CharField(
        widget=forms.HiddenInput,
        max_length=500_000,
        error_messages={"required": "What you saw is not known: look at what is signed, then sign it."},
    )
    pin = forms.CharField(
        max_length=6,
        label="Your PIN, once more",
        error_messages={
            "required": "Type your PIN: the signature is yours alone.",
            "max_length": "A PIN is 4 to 6 digits.",
        },
        widget=forms.PasswordInput(attrs={"inputmode": "numeric", "autocomplete": "one-time-code", "maxlength": 6}),
    )
    password = forms.CharField(
        max_length=128,
        strip=False,
        label="Your password, once more",
        error_messages={"required": "Type your password: the signature is yours alone."},
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )

    def __init__(self, *args: Any, proof: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for kind, name in SECRETS.items():
            if kind != proof:
                del self.fields[name]

    def clean(self) -> dict[str, Any]:
        """Say on the page what a hidden field lacks."""
        data = super().clean() or {}
        for sentence in self.errors.get("seen", []):
            self.add_error(None, sentence)
        return data
