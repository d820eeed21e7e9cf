"""The plan of a line as a calendar (RFC 5545), for programs that fetch it from time to time.

Without METHOD, as it is published, DTSTAMP says when the entry was last changed (RFC 5545, 3.8.7.2); times are in
UTC, which every program shows in its own zone; an entry without a stop fills its week's days.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from icalendar import Calendar, Event

from linelog.planning.models import PlannedVisit
from linelog.plant.models import Line
from linelog.web.forms import one_line
from linelog.web.units import show_hours

CAUTION = (
    "This record is not permission to start or to enter a machine; the site's own procedures, local codes and "
    "licensed practice come first."
)
STATUS = {"planned": "CONFIRMED", "done": "CONFIRMED", "cancelled": "CANCELLED"}


def calendar_of(line: Line, entries: Iterable[PlannedVisit]) -> bytes:
    """Return the calendar of a line; lines are folded at 75 octets and end in CRLF."""
    made = Calendar()
    made.add("PRODID", "-//Alignment logbook//Plan of a line//EN")
    made.add("VERSION", "2.0")
    made.add("CALSCALE", "GREGORIAN")
    name = one_line(f"Alignment, {line}")  # this text is not escaped: a break in it would end the line
    made.add("NAME", name)  # RFC 7986
    made.add("X-WR-CALNAME", name)
    made.add("REFRESH-INTERVAL", dt.timedelta(hours=6), parameters={"VALUE": "DURATION"})
    for entry in entries:
        for number in range(max(len(entry.stretches), 1)):
            made.add_component(_event(line, entry, number))
    content: bytes = made.to_ical()
    return content


def _event(line: Line, entry: PlannedVisit, number: int) -> Event:
    """Return the entry's time in one of its stops; each has an event of its own, as each has its day."""
    event = Event()
    event.add("UID", f"{entry.uid}{f'-{number + 1}' if number else ''}@alignment-logbook")
    event.add("SEQUENCE", entry.sequence)
    event.add("DTSTAMP", entry.changed_at.astimezone(dt.UTC))
    event.add("LAST-MODIFIED", entry.changed_at.astimezone(dt.UTC))
    event.add("CREATED", entry.made_at.astimezone(dt.UTC))
    start, end = _span(entry, number)
    event.add("DTSTART", start)
    event.add("DTEND", end)
    done = " (done)" if entry.state == PlannedVisit.State.DONE else ""
    of_all = f", part {number + 1} of {len(entry.stretches)}" if len(entry.stretches) > 1 else ""
    event.add("SUMMARY", one_line(f"Alignment: {entry.machine}{of_all}{done}"))
    event.add("LOCATION", one_line(f"{line}, {entry.machine}"))
    event.add("DESCRIPTION", f"{entry.reason}\n{_when(entry, number)}\n{CAUTION}")
    event.add("STATUS", STATUS[entry.state])
    event.add("TRANSP", "OPAQUE" if entry.starts_at else "TRANSPARENT")
    return event


def _span(entry: PlannedVisit, number: int) -> tuple[dt.date, dt.date]:
    if not entry.stretches:
        return _kept_span(entry)
    one = entry.stretches[number]
    return one.starts_at.astimezone(dt.UTC), one.ends_at.astimezone(dt.UTC)


def _kept_span(entry: PlannedVisit) -> tuple[dt.date, dt.date]:
    """Return the time of an entry without a stop: the week, or what it had where its stop has gone since."""
    if entry.starts_at is None:
        return entry.week, entry.week + dt.timedelta(days=7)
    start = entry.starts_at.astimezone(dt.UTC)
    return start, start + dt.timedelta(hours=entry.hours)


def _when(entry: PlannedVisit, number: int) -> str:
    if entry.starts_at is None:
        return f"{show_hours(entry.hours)} h of work; no stop is set for it in this week yet."
    if not entry.stretches:
        return f"{show_hours(entry.hours)} h of work in a stop of the machine."
    one = entry.stretches[number]
    return f"{show_hours(one.hours)} h of work in a stop of {one.window.of_what}."
