"""Make and revoke the secret addresses of a line, for calendar programs and for displays on a wall."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from typing import Any

from django.db import transaction

from linelog.planning.models import CalendarAddress
from linelog.planning.services.guard import check_may_plan, held
from linelog.plant.models import Line
from linelog.web import audit
from linelog.web.errors import NotAllowed, Refused


def digest_of(secret: str) -> str:
    """Return the fingerprint under which a secret is kept."""
    return hashlib.sha256(secret.encode()).hexdigest()


@transaction.atomic
def make(
    *, by: Any, at: dt.datetime, line: Line, label: str, kind: str = CalendarAddress.Kind.CALENDAR
) -> tuple[CalendarAddress, str]:
    """Make an address and return it with its secret, which is not kept and shown this once."""
    check_may_plan(by)
    if not Line.objects.for_user(by).filter(pk=line.pk).exists():
        raise NotAllowed("This line is not of your plant.")
    secret = secrets.token_urlsafe(32)
    facts = {"line": line, "label": label, "kind": kind, "made_by": by, "made_at": at}
    address = CalendarAddress.objects.create(digest=digest_of(secret), **facts)
    _record(by, at, address, f"made {kind} address", None)
    return address, secret


@transaction.atomic
def revoke(*, by: Any, at: dt.datetime, address: CalendarAddress) -> CalendarAddress:
    """Close an address: whoever still has it finds nothing."""
    fresh = held(by, address)
    if fresh.revoked_at is not None:
        raise Refused("This address is closed already.")
    before = _plain(fresh)
    fresh.revoked_by, fresh.revoked_at = by, at
    fresh.save(update_fields=["revoked_by", "revoked_at"])
    _record(by, at, fresh, f"revoked {fresh.kind} address", before)
    return fresh


def _plain(address: CalendarAddress) -> dict[str, Any]:
    """Return what the history may say: not the fingerprint."""
    return {key: value for key, value in audit.snapshot(address).items() if key != "digest"}


def _record(by: Any, at: dt.datetime, address: CalendarAddress, action: str, before: dict[str, Any] | None) -> None:
    plant_id = address.line.plant_id
    audit.record(by=by, action=action, obj=address, at=at, before=before, after=_plain(address), plant_id=plant_id)
