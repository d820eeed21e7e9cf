"""The id that ties a page, its log lines and its history together, and the form of a log line."""

from __future__ import annotations

import logging
import time
import uuid
from contextvars import ContextVar
from typing import Any

current: ContextVar[str] = ContextVar("request_id", default="-")
# What ends a line for one reader or another (str.splitlines), in the spelling of Python.
LINE_ENDS = {ord(end): end.encode("unicode_escape").decode() for end in "\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029"}


def new() -> str:
    """Return a fresh id, short enough to be read out over the phone."""
    return uuid.uuid4().hex[:12]


class AddRequestId(logging.Filter):
    """Put the current request's id, and the number of whoever acts in it, on every log record."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Keep the record; one about a request that is over takes both from the request."""
        request: Any = getattr(record, "request", None)
        record.request_id = getattr(request, "request_id", "") or current.get()
        record.person = getattr(request, "person_id", None) or "-"
        return True


class OneLine(logging.Formatter):
    """A line a record, also for a traceback, so that nothing sent passes for a line of its own; times are UTC."""

    converter: Any = time.gmtime
    default_time_format = "%Y-%m-%dT%H:%M:%S"
    default_msec_format = "%s.%03dZ"

    def format(self, record: logging.LogRecord) -> str:
        """Spell out what would end the line."""
        return super().format(record).translate(LINE_ENDS)
