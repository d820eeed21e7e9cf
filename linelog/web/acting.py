"""A shared tablet: one signed-in device, people who take it over with a PIN, and give it back by time."""

from __future__ import annotations

from datetime import datetime

from django.http import HttpRequest
from django.urls import reverse


def apply(request: HttpRequest, now: datetime) -> None:
    """Put the acting person on the request (nobody yet takes over from the signed-in account)."""
    request.device = request.user  # type: ignore[attr-defined]


def waits_for_pin(request: HttpRequest) -> bool:
    """Say whether the device is shared and nobody has given a PIN."""
    return False


def pin_url() -> str:
    """Where a person takes over the tablet."""
    return reverse("web:sign_in")
