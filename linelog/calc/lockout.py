"""How long a lockout may stand: until its shift ends, until its age, never beyond twelve hours."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

from linelog.calc.errors import CalcError

LONGEST_HOURS = 12.0  # common practice, no source: whatever a plant sets, nothing stands longer


class RunsOut(Enum):
    """What ends a lockout that nobody ends."""

    SHIFT = "shift"
    AGE = "age"


@dataclass(frozen=True, slots=True)
class Life:
    """Until when a lockout stands, and what ends it then."""

    until: dt.datetime
    why: RunsOut


def shift_hours(starts: Sequence[dt.time]) -> float:
    """Return the length of the longest shift in hours, by the times at which shifts begin; at most twelve.

    Without shifts, or with a single one a day, it is twelve.
    """
    minutes = sorted(start.hour * 60 + start.minute for start in set(starts))
    if len(minutes) < 2:
        return LONGEST_HOURS
    longest = max(after - before for before, after in pairwise([*minutes, minutes[0] + 24 * 60]))
    return min(longest / 60.0, LONGEST_HOURS)


def life(
    verified_at: dt.datetime,
    *,
    shift_starts: Sequence[dt.time],
    zone: dt.tzinfo,
    lasts_hours: float | None = None,
    overlap_minutes: int | None = None,
) -> Life:
    """Return until when a lockout stands that was verified at an aware time.

    shift_starts     wall-clock times, in `zone`, at which shifts begin
    lasts_hours      the plant's longest age; None for the length of its shifts; more than twelve counts as twelve
    overlap_minutes  verified so shortly before a shift begins it belongs to that shift; None where the change of
                     shift does not end it

    Raises `CalcError` for a time without a zone and an age that is not above zero.
    """
    if verified_at.tzinfo is None:
        raise CalcError("The time of the verification needs its time zone.", field="verified_at")
    hours = shift_hours(shift_starts) if lasts_hours is None else min(lasts_hours, LONGEST_HOURS)
    if not hours > 0:
        raise CalcError("A lockout must stand for some time.", field="lasts_hours")
    verified_at = verified_at.astimezone(dt.UTC)  # hours that pass, also in the night the clocks change
    by_age = verified_at + dt.timedelta(hours=hours)
    if overlap_minutes is None or not shift_starts:
        return Life(by_age, RunsOut.AGE)
    by_shift = _next_shift(verified_at + dt.timedelta(minutes=overlap_minutes), shift_starts, zone)
    return Life(by_shift, RunsOut.SHIFT) if by_shift < by_age else Life(by_age, RunsOut.AGE)


def _next_shift(after: dt.datetime, starts: Sequence[dt.time], zone: dt.tzinfo) -> dt.datetime:
    """Return the first beginning of a shift later than an aware time, by the wall clock of the zone."""
    day = after.astimezone(zone).date()
    days = (day + dt.timedelta(days=ahead) for ahead in range(3))
    begins = (dt.datetime.combine(one, start, tzinfo=zone) for one in days for start in starts)
    # Told apart as moments: on the day the clocks change, the wall clock alone would mislead.
    return min(moment for moment in (one.astimezone(dt.UTC) for one in begins) if moment > after)
