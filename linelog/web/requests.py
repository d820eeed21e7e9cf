"""Requests as views get them: past our middleware."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, TypeVar

from django.db.models import Model, QuerySet
from django.http import HttpRequest
from django_htmx.middleware import HtmxDetails

from linelog.web.errors import DiskFull

Row = TypeVar("Row", bound=Model)
OLDEST_WRITING_S = 7 * 24 * 3600  # of what a tablet kept


class Request(HttpRequest):
    """A request with what the middleware leaves on it. Only for annotations; nothing makes one."""

    user: Any  # a person, or nobody
    device: Any  # the account that is signed in on the device
    tablet_id: int | None
    htmx: HtmxDetails
    request_id: str
    person_id: int | None
    upload_trouble: DiskFull


def query_without_page(request: HttpRequest) -> str:
    """Return the choice of a list as it stands in the address, for the links to other pages of it."""
    kept = request.GET.copy()
    kept.pop("page", None)
    return kept.urlencode()


def whole(text: str) -> int | None:
    """Return the whole number that an address or a hidden field holds; None for what is none.

    Nine digits at most: a longer one fits no column, and of some thousand digits none can be made at all.
    """
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def row_named(rows: QuerySet[Row], text: str) -> Row | None:
    """Return the row whose key an address or a hidden field holds; None where it holds none of these rows."""
    key = whole(text)
    return None if key is None else rows.filter(pk=key).first()


def typed_at(request: HttpRequest, now: datetime) -> datetime:
    """Return when a writing was made that a tablet may have kept for a while: it says how many seconds ago.

    An age, and no time of day: clocks of tablets may be wrong.
    """
    age = whole(request.headers.get("X-Age", ""))
    return now - timedelta(seconds=min(age or 0, OLDEST_WRITING_S))
