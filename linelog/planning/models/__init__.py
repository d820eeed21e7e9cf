"""The plan: stops of the plant, visits planned into them, and the addresses under which calendars read them."""

from linelog.planning.models.calendars import CalendarAddress
from linelog.planning.models.plan import CrewWeek, PlannedPart, PlannedVisit, StopWindow, Stretch

__all__ = ["CalendarAddress", "CrewWeek", "PlannedPart", "PlannedVisit", "StopWindow", "Stretch"]
