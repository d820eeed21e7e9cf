"""The id that ties a page, its log lines and its history together, and the form of a log line."""

from __future__ import annotations

import functools
import logging
import re
import sys
import threading
import time
import uuid
from contextvars import ContextVar
from types import TracebackType
from typing import Any

from django.conf import settings

log = logging.getLogger(__name__)

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
        """Spell out what would end the line; leave out what lets in whoever has it."""
        return _without_secrets(super().format(record).translate(LINE_ENDS))


def _without_secrets(line: str) -> str:
    return _secret().sub(r"\1…", line)


@functools.cache
def _secret() -> re.Pattern[str]:
    after = "|".join(re.escape(path) for path in settings.SECRET_ADDRESSES)
    return re.compile(rf"({after})[^\s/?\"'&]+", re.IGNORECASE)


def log_crashes() -> None:
    """Have what ends a process or a thread written like every other line, and warnings too."""

    def ended(kind: type[BaseException], trouble: BaseException, trace: TracebackType | None) -> None:
        if issubclass(kind, KeyboardInterrupt):
            sys.__excepthook__(kind, trouble, trace)
            return
        log.critical("the program ended", exc_info=(kind, trouble, trace))

    def thread_ended(about: threading.ExceptHookArgs) -> None:
        if about.exc_value is not None and not issubclass(about.exc_type, SystemExit):
            name = about.thread.name if about.thread else "?"
            log.critical("thread %s ended", name, exc_info=(about.exc_type, about.exc_value, about.exc_traceback))

    sys.excepthook, threading.excepthook = ended, thread_ended
    logging.captureWarnings(True)
