"""Readings of one sweep from before and after the machine was powered: the ram may have moved between them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

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
    ended = [
        one
        for one in lockouts
        if one.ended_at is not None and one.ended_how in MOVED and times and times[0] < one.ended_at < times[-1]
    ]
    if not ended:
        return ""
    last = max(ended, key=lambda one: one.ended_at or one.verified_at)
    before = sum(time < last.ended_at for time in times if last.ended_at)
    return (
        f"{before} of these {len(times)} readings are from before the machine was {MOVED[Ended(last.ended_how)]}: "
        "the ram may have moved since. Read them again."
    )
