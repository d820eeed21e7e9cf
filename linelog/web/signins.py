"""Signing in and out, and what the history keeps of it."""

from __future__ import annotations

import logging
from datetime import datetime
from typing import Any

from django.contrib.auth import get_user_model
from django.db import transaction

from linelog.web import audit
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
