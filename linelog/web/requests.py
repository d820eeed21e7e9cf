"""Requests as views get them: past our middleware."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django_htmx.middleware import HtmxDetails

from linelog.web.errors import DiskFull


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
