"""Sessions as Django keeps them in the database, read by a query that is made ready: every request reads one."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib.sessions.backends import db
from django.contrib.sessions.models import Session
from django.utils import timezone

from linelog.web.prepared import Prepared

BY_KEY: Prepared[Session] = Prepared(
    lambda key, now: Session.objects.filter(session_key=key, expire_date__gt=now), key=str, now=dt.datetime
)


class SessionStore(db.SessionStore):
    """A session, with another way to find its row."""

    def _get_session_from_db(self) -> Any:
        key = self.session_key
        found = BY_KEY.first(key=key, now=timezone.now()) if key and "\0" not in key else None
        if found is None:
            self._session_key = None
        return found
