"""What stands of the measured values, by the name under which trends know it; it lives with the log."""

from linelog.alignment.standing import (
    AS_FOUND,
    AS_LEFT,
    RUNNING,
    STATIC,
    WORST_FIRST,
    Amended,
    Place,
    Standing,
    Value,
    Word,
    as_it_is_now,
    stand,
    worst_key,
)

__all__ = [
    "AS_FOUND",
    "AS_LEFT",
    "RUNNING",
    "STATIC",
    "WORST_FIRST",
    "Amended",
    "Place",
    "Standing",
    "Value",
    "Word",
    "as_it_is_now",
    "stand",
    "worst_key",
]
