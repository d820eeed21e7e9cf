"""What every write of counts checks first."""

from __future__ import annotations

from typing import Any

from linelog.web.errors import NotAllowed
from linelog.web.permissions import Permission, may


def check_may_count(by: Any) -> None:
    """Refuse a person whose role may only look."""
    if not may(by, Permission.ENTER_COUNTS):
        raise NotAllowed("Your role may look at counts but not change them.")
