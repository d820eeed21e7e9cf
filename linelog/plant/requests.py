"""The type of the requests that views get: somebody of ours is signed in, and htmx has left its mark."""

from __future__ import annotations

from django.http import HttpRequest
from django_htmx.middleware import HtmxDetails

from linelog.plant.models import Person


class Request(HttpRequest):
    """A request past the access middleware. Only for annotations; nothing makes one."""

    user: Person  # the access middleware has turned everybody else away
    device: Person
    htmx: HtmxDetails
