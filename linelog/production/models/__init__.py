"""What the line made: shift counts with causes, daily sums, events, uploads."""

from linelog.production.models.counts import CountChange, DayCount, ShiftCount, SpoilageCause
from linelog.production.models.events import Event
from linelog.production.models.uploads import Upload

__all__ = ["CountChange", "DayCount", "Event", "ShiftCount", "SpoilageCause", "Upload"]
