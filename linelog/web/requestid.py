"""The id that ties a page, its log lines and its history together."""

import logging
import uuid
from contextvars import ContextVar

current: ContextVar[str] = ContextVar("request_id", default="-")


def new() -> str:
    """Return a fresh id, short enough to be read out over the phone."""
    return uuid.uuid4().hex[:12]


class AddRequestId(logging.Filter):
    """Put the current request's id on every log record."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Keep the record, with its id."""
        record.request_id = current.get()
        return True
