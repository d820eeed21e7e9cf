"""The type of the requests that views get: past our middleware. Only for annotations; nothing makes one."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django_htmx.middleware import HtmxDetails

from linelog.web.errors import DiskFull


class Request(HttpRequest):
    """A request with what the middleware leaves on it."""

    user: Any  # a person, or nobody
    device: Any  # the account that is signed in on the device
    tablet_id: int | None
    htmx: HtmxDetails
    request_id: str
    person_id: int | None
    upload_trouble: DiskFull
