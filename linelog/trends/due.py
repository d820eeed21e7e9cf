"""When a machine is due for alignment by the plant's time limit."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from linelog.trends import words


@dataclass(frozen=True, slots=True)
class Due:
    """Whether a machine is due, since when or until when, and how that reads."""

    is_due: bool
    on: dt.date | None
    words: str


def due_by_time(last: dt.date | None, longest_days: int, today: dt.date) -> Due:
    """Say whether the longest interval between visits has passed; a machine never measured is due."""
    if last is None:
        return Due(True, None, "due: never measured")
    on = last + dt.timedelta(days=longest_days)
    if on <= today:
        return Due(True, on, f"due since {words.date(on)}")
    return Due(False, on, f"due by {words.date(on)}")
