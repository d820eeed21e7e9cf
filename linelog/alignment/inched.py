"""Readings of one sweep from before and after the machine was powered: the ram may have moved between them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from linelog.alignment import clock
from linelog.alignment.models import Lockout, Reading

Ended = Lockout.Ended
MOVED = {
    Ended.TEST: "inched or tested under power",
    Ended.RAN: "run",
    Ended.RETURNED: "returned to service",
}


def powered_between(readings: Sequence[Reading], lockouts: Iterable[Lockout]) -> str:
    """Say how many readings of a sweep are from before the machine was powered in the middle of it, or ''."""
    times = sorted(reading.at for reading in readings)
    ended = {at: how for at, how in _powered(lockouts) if times and times[0] < at < times[-1]}
    if not ended:
        return ""
    last = max(ended)
    before = [reading for reading in readings if reading.at < last]
    places = clock.words(sorted({reading.angle_deg for reading in before}))
    return (
        f"{len(before)} of these {len(times)} readings ({places}) are from before the machine was "
        f"{MOVED[Ended(ended[last])]}: the ram may have moved since. Read them again; what reads the same is typed "
        "again too."
    )


def is_from_before(reading: Reading, lockouts: Iterable[Lockout]) -> bool:
    """Whether the machine was powered since a reading was taken: typed again it is another reading, if the same."""
    return any(reading.at < at for at, _ in _powered(lockouts))


def _powered(lockouts: Iterable[Lockout]) -> list[tuple[datetime, str]]:
    """Return when the machine was powered, and how."""
    return [(one.ended_at, one.ended_how) for one in lockouts if one.ended_at is not None and one.ended_how in MOVED]
