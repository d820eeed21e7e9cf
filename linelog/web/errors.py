"""What the program says when it must refuse, and the pages that say it."""

from __future__ import annotations

import errno
import sys
from typing import Any

from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string

from linelog.web import requestid

AGAIN_AFTER_S = 3


class Refused(Exception):
    """A request that is refused with one clear sentence; `field` names the input it belongs to."""

    status = 422

    def __init__(self, message: str, *, field: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.field = field


class NotAllowed(Refused):
    """The person has not the right to do this."""

    status = 403


class Conflict(Refused):
    """Somebody else changed the record meanwhile; `theirs` and `yours` show both versions."""

    status = 409

    def __init__(self, message: str, *, theirs: Any = None, yours: Any = None) -> None:
        super().__init__(message)
        self.theirs = theirs
        self.yours = yours


class DiskFull(Refused):
    """The server's disk takes no more."""

    status = 507

    def __init__(self, *, field: str | None = None) -> None:
        super().__init__("The server's disk is full: nothing of this was kept; tell the administrator.", field=field)


def is_disk_full(trouble: BaseException) -> bool:
    """Say whether the system, or the database, ran out of room."""
    if isinstance(trouble, OSError):
        return trouble.errno in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
    says = str(trouble).lower()
    return isinstance(trouble, OperationalError) and ("disk is full" in says or "no space left" in says)


def is_database_away(trouble: BaseException | None) -> bool:
    """Say whether the database cannot be reached for now, or is held by another program: trying again will help.

    PostgreSQL names why by its SQLSTATE (its manual, appendix A): class 08 a connection's end, 53300 no room for one
    more, 57P the server's stop, crash or start; none at all where there was no connection. SQLite says it in words.
    """
    if isinstance(trouble, InterfaceError):
        return "closed" in str(trouble)
    if not isinstance(trouble, OperationalError):
        return False
    cause: Any = trouble.__cause__
    if not hasattr(cause, "sqlstate"):
        return any(words in str(trouble) for words in ("database is locked", "unable to open database file"))
    return cause.sqlstate is None or str(cause.sqlstate).startswith(("08", "53300", "57P"))


def error_page(
    request: HttpRequest, status: int, title: str, sentence: str, *, bare: bool = False, **more: Any
) -> HttpResponse:
    """Render a readable page (or, for htmx, a fragment) with the request's id.

    A `bare` page asks nothing of the request: no person, no session, no database. `typed` (field and value) shows
    what was sent and not stored, `back` is where to go on.
    """
    context = {"title": title, "sentence": sentence, "request_id": requestid.current.get(), **more}
    template = "web/error.html#box" if getattr(request, "htmx", False) else "web/error.html"
    return HttpResponse(render_to_string(template, context, None if bare else request), status=status)


def refused_page(request: HttpRequest, refusal: Refused) -> HttpResponse:
    """Show a refusal that no form caught."""
    titles = {
        403: "Not yours to do",
        409: "Changed meanwhile",
        422: "Not accepted",
        429: "Locked for a while",
        507: "Disk full",
    }
    return error_page(request, refusal.status, titles.get(refusal.status, "Refused"), refusal.message)


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """400."""
    sentence = "The browser sent something this page can't read. What was saved before is safe."
    return error_page(request, 400, "Request not understood", sentence, bare=True)


def forbidden(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """403."""
    return error_page(request, 403, "Not yours to see", "Your role does not open this page.")


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """404."""
    return error_page(request, 404, "Not here", "There is no such page, or not for your plant.")


def wrong_method(request: HttpRequest, allowed: str) -> HttpResponse:
    """405, with what the address does take."""
    page = error_page(
        request, 405, "Not that way", "This address is for a button on a page, not for the address bar."
    )
    page["Allow"] = allowed
    return page


def too_large(request: HttpRequest, limit_bytes: int) -> HttpResponse:
    """413."""
    sentence = (
        f"This is more than the {limit_bytes / 1e6:.1f} MB that are taken here at once; nothing of it was kept."
    )
    return error_page(request, 413, "Too large", sentence)


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    """403 for a form whose token has gone stale."""
    from linelog.web import made_for  # it builds its pages with this module

    sentence = "Reload the page and send it again; what was saved before is safe."
    return error_page(request, 403, "Form out of date", sentence, typed=made_for.typed(request))


def database_away(request: HttpRequest) -> HttpResponse:
    """503, without touching the database. A page asked for comes by itself when it is back; a form is sent again."""
    waits = request.method in ("GET", "HEAD")
    what = "This page loads again by itself." if waits else "Go back in the browser and send it again."
    sentence = f"The database does not answer at the moment. What was saved before is safe. {what}"
    page = error_page(request, 503, "One moment", sentence, bare=True)
    page["Retry-After"] = str(AGAIN_AFTER_S)
    if waits:
        page["Refresh"] = str(AGAIN_AFTER_S)
    return page


def server_error(request: HttpRequest) -> HttpResponse:
    """500, or 503 where only the database is away, without touching the database."""
    if is_database_away(sys.exc_info()[1]):
        return database_away(request)
    return error_page(
        request,
        500,
        "Something broke",
        "This is our fault, not yours. What was saved before is safe. Tell the administrator the number below.",
        bare=True,
    )
