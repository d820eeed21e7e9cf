"""What the line made: shift counts with causes, daily sums, events, uploads, wall samples, findings."""

from linelog.production.models.counts import CountChange, DayCount, ShiftCount, SpoilageCause
from linelog.production.models.events import Event
from linelog.production.models.findings import Finding, FindingPhoto
from linelog.production.models.uploads import Upload
from linelog.production.models.wall import WallReading, WallRing, WallSample

__all__ = [
    "CountChange",
    "DayCount",
    "Event",
    "Finding",
    "FindingPhoto",
    "ShiftCount",
    "SpoilageCause",
    "Upload",
    "WallReading",
    "WallRing",
    "WallSample",
]
