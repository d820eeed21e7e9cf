"""Counts, events, gauged cans, findings, and what these lead to by the marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from linelog.production.models import Event, Finding, ShiftCount, WallRing
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.stored import Field, Source, as_json, machine_and_line, person, stored, tooling_set
from linelog.reports.tables.table import Row, date, number, text, time, whole
from linelog.trends.queries.bearers import bearers_of
from linelog.trends.tracing import Asked as Can
from linelog.trends.tracing import Candidate, led_to

COUNTS = stored(
    "counts",
    "Counts",
    "Good and spoiled cans of every shift as they stand now, corrections taken in.",
    Source(ShiftCount.objects.all, "machine", "day", is_time=False),
    (
        Field(whole("count_id", "Number of the row."), "pk"),
        *machine_and_line("machine_id"),
        Field(date("day", "Production day."), "day"),
        Field(text("shift", "Code of the shift."), "shift__code"),
        Field(whole("cans", "Good cans.", "cans"), "cans"),
        Field(whole("spoiled", "Spoiled cans, on top of the good ones.", "cans"), "spoiled"),
        Field(whole("tear_offs", "Tear-offs.", "cans"), "tear_offs"),
        Field(whole("short_cans", "Short cans.", "cans"), "short_cans"),
        Field(whole("jams", "Jams."), "jams"),
        Field(number("minutes_down", "Time down.", "min"), "minutes_down"),
        Field(text("spoiled_by_cause", "Spoiled cans by code of the cause, as JSON."), "by_cause", as_json),
    ),
    day="production day",
    page="production:counts",
)

EVENTS = stored(
    "events",
    "Events",
    "Jams, crashes, work and changes of metal that may have moved something.",
    Source(Event.objects.all, "machine", "at"),
    (
        Field(whole("event_id", "Number of the event."), "pk"),
        *machine_and_line("machine_id"),
        Field(time("at", "When it happened."), "at"),
        Field(text("kind", "What happened.", Event.Kind.choices), "kind"),
        Field(text("coil_lot", "Coil lot fed from then on."), "coil_lot"),
        Field(text("note", "What was noted."), "note"),
        person("entered_by", "Who entered it.", "by_id"),
    ),
    day="the day it happened",
    page="production:events",
)

WALLS = stored(
    "walls",
    "Gauged cans",
    "The wall of gauged cans: of each can and height what the readings round it came to.",
    Source(WallRing.objects.all, "sample__machine", "sample__taken_at"),
    (
        Field(whole("ring_id", "Number of the height of a can."), "pk"),
        Field(whole("sample_id", "Number of the can: heights of one can belong together."), "sample_id"),
        *machine_and_line("sample__machine_id"),
        Field(time("made_at", "When the can was made."), "sample__taken_at"),
        Field(text("can", "What tells cans of the same minute apart."), "sample__can"),
        tooling_set("sample__tooling_set_id"),
        Field(number("height_mm", "Height above the dome.", "mm"), "height_mm"),
        Field(number("mean_um", "Mean thickness.", "um"), "mean_um"),
        Field(
            number("x_um", "Eccentricity across, toward the thick side, to the right seen from the crank.", "um"),
            "x_um",
        ),
        Field(number("y_um", "Eccentricity upward, toward the thick side.", "um"), "y_um"),
        Field(number("size_um", "Size of the eccentricity.", "um"), "size_um"),
        Field(number("expanded_um", "Its expanded uncertainty, about 95 %.", "um"), "expanded_um"),
        Field(
            number("thin_deg", "Clock angle of the thin side; empty where it can't be told.", "degrees"), "thin_deg"
        ),
        Field(number("range_um", "Largest less smallest reading.", "um"), "range_um"),
        Field(
            number("judged_um", "The larger of that and twice the eccentricity: what is judged.", "um"), "judged_um"
        ),
        Field(
            text("state", "What the plant made of it, by its levels of that day.", WallRing.State.choices), "state"
        ),
        Field(text("note", "What was noted of the can."), "sample__note"),
        person("entered_by", "Who entered it.", "sample__by_id"),
    ),
    day="the day the can was made",
    page="production:walls",
)

_FINDING = (
    Field(whole("finding_id", "Number of the finding."), "pk"),
    Field(date("found_on", "Day it was found."), "found_on"),
    Field(text("place", "Where it was found."), "place__name"),
    Field(text("code", "Defect code."), "code__code"),
    Field(text("defect", "Name of the defect."), "code__name"),
    Field(whole("quantity", "Cans found.", "cans"), "quantity"),
    Field(text("mark", "Mark in the dome as typed; ? is a letter that can't be read."), "mark"),
    Field(text("date_code", "Date code on the can as typed."), "date_code"),
    Field(date("made_on", "Day it was made, by the best that was given."), "made_on"),
    Field(time("made_from", "Earliest time it was made."), "made_from"),
    Field(time("made_to", "Latest time it was made."), "made_to"),
    Field(text("made_by", "What the day made rests on.", Finding.MadeBy.choices), "made_by"),
    Field(whole("given_machine_id", "Number of the machine, where it was given without the mark."), "machine_id"),
    Field(text("complaint", "Number of the customer's complaint."), "complaint"),
    Field(text("customer_reference", "The customer's own number of it."), "customer_reference"),
    Field(text("containment", "What was held, sorted or warned at once."), "containment"),
    Field(text("cause", "The cause that was found."), "cause"),
    Field(text("action", "What was done against it."), "action"),
    Field(date("complaint_closed_on", "Day the complaint was closed."), "complaint_closed_on"),
    Field(text("note", "What was noted."), "note"),
    person("entered_by", "Who entered it.", "by_id"),
    Field(time("entered_at", "When it was entered."), "at"),
)
_AT = {field.column.name: index for index, field in enumerate(_FINDING)}


def _led(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Lead each finding to its machine by the mark as typed and the marks of the day; its page tells the odds too."""
    bearers = bearers_of(asked.plant.pk)
    for row in rows:
        given: Any = row[_AT["given_machine_id"]]
        known = Candidate(given, "", "", None) if given else None
        day: Any = row[_AT["made_on"]]
        yield asked.named(led_to(Can(str(row[_AT["mark"]] or ""), day, known), bearers))


FINDINGS = stored(
    "findings",
    "Findings",
    "Bad cans found down the line or by a customer, with the machine that the mark and the day lead to.",
    Source(Finding.objects.all, "plant", "made_on", is_time=False, is_plants=True),
    _FINDING,
    day="the day it was made",
    page="trends:findings",
    by_line=False,
    more=(
        text("line", "Line of the machine that the mark as typed leads to; empty: to none, or to several."),
        text("machine", "Machine that it leads to; empty likewise."),
    ),
    add=_led,
)

TABLES = (COUNTS, EVENTS, WALLS, FINDINGS)
