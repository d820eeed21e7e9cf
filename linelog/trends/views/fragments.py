"""Whether a request wants a part of the page."""

from __future__ import annotations

from linelog.plant.requests import Request


def wants_fragment(request: Request) -> bool:
    """Say whether htmx asked for a part; going back in the browser's history asks for the whole page."""
    return bool(request.htmx) and not request.htmx.history_restore_request
