"""The type of the requests that our views get: past the access middleware somebody of ours is signed in."""

from __future__ import annotations

from linelog.plant.models import Person
from linelog.web import requests


class Request(requests.Request):
    """Only for annotations; nothing makes one."""

    user: Person  # the access middleware has turned everybody else away
    device: Person
