"""Signing in and out, and what the history keeps of it."""

from __future__ import annotations

import logging
from datetime import datetime
from typing import Any

import axes.utils
from django.contrib.auth import authenticate, get_user_model
from django.db import transaction
from django.http import HttpRequest

from linelog.web import audit, pins
from linelog.web.errors import Refused
from linelog.web.models import Tablet

log = logging.getLogger(__name__)


def signed_in(*, person: Any, shared: bool, at: datetime) -> Tablet | None:
    """Write the sign-in down; return the new tablet where the device is to be shared."""
    with transaction.atomic():
        if not shared:
            audit.record(by=person, action="signed in", obj=person, at=at)
            return None
        tablet = Tablet.objects.create(account_id=person.pk, plant_id=person.plant_id, signed_in_at=at)
        audit.record(by=person, action="signed in a shared tablet", obj=person, at=at, after={"tablet": tablet.pk})
        return tablet


def confirm(*, request: HttpRequest, password: str, at: datetime) -> None:
    """Let a signed-in person show once more who they are, counted like a sign-in. Raises Refused."""
    asked: Any = request
    person = asked.user
    if authenticate(request=request, username=person.get_username(), password=password) == person:
        axes.utils.reset(username=person.get_username())
        return
    locked = bool(getattr(request, "axes_locked_out", False))
    failed(username=person.get_username(), locked=locked, at=at)
    if locked:
        raise pins.Locked("Too many wrong passwords: wait 15 minutes.", field="password")
    raise Refused("That is not your password.", field="password")


def failed(*, username: str, locked: bool, at: datetime) -> None:
    """Write a refused sign-in down where the name is known; an unknown one may be a password typed too early."""
    person: Any = get_user_model().objects.filter(username=username).first()
    if person is None:
        log.warning("sign-in refused for a name nobody has")
        return
    action = "locked out after wrong passwords" if locked else "typed a wrong password"
    audit.record(by=None, action=action, obj=person, at=at, plant_id=person.plant_id, by_name=audit.SOMEBODY)


def signed_out(*, person: Any, at: datetime) -> None:
    """Write the sign-out of an account (not of a person on a shared tablet) down."""
    audit.record(by=person, action="signed out", obj=person, at=at)


def handed_over(*, person: Any, by_time: bool, at: datetime) -> None:
    """Write down that a person gave a shared tablet back."""
    audit.record(
        by=person, action="tablet given back by time" if by_time else "handed a tablet over", obj=person, at=at
    )
