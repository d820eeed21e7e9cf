"""Sessions as Django keeps them in the database, read by a query that is made ready: every request reads one."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.contrib.sessions.backends import db
from django.contrib.sessions.middleware import SessionMiddleware
from django.contrib.sessions.models import Session
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from linelog.web.prepared import Prepared
from linelog.web.rows import Columns, Part

_COLUMNS = Columns(Part(Session))
BY_KEY: Prepared[tuple[Any, ...]] = Prepared(
    lambda key, now: Session.objects.filter(session_key=key, expire_date__gt=now).values_list(*_COLUMNS.columns),
    key=str,
    now=dt.datetime,
)


class SessionStore(db.SessionStore):
    """A session, with another way to find its row."""

    def _get_session_from_db(self) -> Any:
        key = self.session_key
        found = BY_KEY.first(key=key, now=timezone.now()) if key and "\0" not in key else None
        if found is None:
            self._session_key = None
            return None
        return _COLUMNS.made(0, found)


class Cookie(SessionMiddleware):
    """Sets the session's cookie as Django does, but lets no answer that comes late undo one that came before.

    A session gets a new key when a tablet changes hands. What was on its way then under the old key (a page to be
    kept, a writing, a look whether the server answers) is answered afterwards: Django would have the browser forget
    its cookie, as no session has that key any more, or set the old one again, and the tablet would be signed out.
    """

    def process_response(self, request: HttpRequest, response: HttpResponse) -> HttpResponse:
        """Forget the cookie only where this request ended the session; renew it only with a page that is opened."""
        answer = super().process_response(request, response)
        cookie = answer.cookies.get(settings.SESSION_COOKIE_NAME)
        if cookie is None:
            return answer
        is_ended = not cookie.value
        is_the_same = cookie.value == request.COOKIES.get(settings.SESSION_COOKIE_NAME)
        is_late = not request.session.modified if is_ended else is_the_same and not _opens_a_page(request)
        if is_late:
            del answer.cookies[settings.SESSION_COOKIE_NAME]
        return answer


def _opens_a_page(request: HttpRequest) -> bool:
    """Whether the browser opens a page (W3C, Fetch Metadata Request Headers); one that says nothing is taken to."""
    return request.headers.get("Sec-Fetch-Mode", "navigate") == "navigate"
