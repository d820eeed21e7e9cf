"""Which pages a tablet may keep, to open them again while there is no connection."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.http import HttpRequest, HttpResponse

from linelog.web import acting


def keep(request: HttpRequest, response: HttpResponse, *, also: Iterable[str] = ()) -> HttpResponse:
    """Let the tablet's own worker keep this page for the person it was made for; on a shared tablet, for so long.

    No other store may: the page stays `no-store`. The worker forgets it when the person signs out, hands over or
    is followed by another, and on a shared tablet when nobody touched it for the idle time. `also` are other
    addresses of the very same page.
    """
    asked: Any = request
    response["X-Keep"] = str(asked.user.pk)
    if getattr(asked, "tablet_id", None) is not None:
        response["X-Keep-Seconds"] = str(int(acting.timeout(asked.user.plant).total_seconds()))
    others = [url for url in also if url != asked.get_full_path()]
    if others:
        response["X-Keep-Also"] = " ".join(others)
    return response
