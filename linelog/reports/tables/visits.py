"""Visits, results, readings and moves."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import Count

from linelog.alignment.models import AmendedReading, Amendment, MoveMade, Reading, Result, Stage, Sweep, Visit
from linelog.alignment.models.sweep import Method, Seat
from linelog.alignment.standing import Value, stand
from linelog.alignment.values import COLUMNS, last_words
from linelog.plant.models import Station
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.stored import (
    Field,
    Source,
    machine_and_line,
    of_station,
    person,
    stored,
    tooling_set,
    visit_number,
)
from linelog.reports.tables.table import Row, number, text, time, whole, yes_no

BY_OPENING = "the day its visit was opened"
FROM_CRANK = "seen from the crank, to the right positive"
UP = "up positive"
VISIT = visit_number("visit_id")
STAGE = Field(text("stage", "When in the visit it was measured.", Stage.choices), "stage")
SEAT = Field(text("seat", "Seat of a station that has two; empty: it has one.", Seat.choices), "seat")


_VISIT = (
    visit_number("pk"),
    *machine_and_line("machine_id"),
    Field(time("opened_at", "When the visit was opened."), "opened_at"),
    person("opened_by", "Who opened it.", "opened_by_id"),
    Field(text("reason", "Why the machine was visited.", Visit.Reason.choices), "reason"),
    Field(text("reason_note", "What was added to the reason."), "reason_note"),
    Field(yes_no("machine_runs", "Whether the machine was running."), "machine_runs"),
    Field(whole("in_state_min", "How long it had been stopped or running.", "min"), "minutes_in_state"),
    Field(number("speed_spm", "Speed while running.", "strokes/min"), "speed_spm"),
    Field(number("oil_c", "Temperature of the oil.", "°C"), "oil_c"),
    Field(number("room_c", "Temperature of the room.", "°C"), "room_c"),
    tooling_set("tooling_set_id"),
    Field(yes_no("from_paper", "Whether it was copied from a record on paper."), "from_paper"),
    Field(text("state", "Where the record stands.", Visit.State.choices), "state"),
    Field(time("signed_at", "When it was signed."), "signed_at"),
    Field(text("signed_by", "Whose signature it is, by the name of that day."), "signature__name"),
    Field(text("signed_as", "Role of the signer on that day."), "signature__role"),
    Field(text("dropped_why", "Why it was dropped."), "dropped_why"),
    Field(text("note", "Note on the visit."), "note"),
)


def _amendments(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Count the amendments of a batch, which has visits in the order of their numbers."""
    found = Amendment.objects.filter(visit__gte=rows[0][0], visit__lte=rows[-1][0]).order_by().values("visit_id")
    counts = dict(found.annotate(number=Count("pk")).values_list("visit_id", "number"))
    return [(counts.get(row[0], 0),) for row in rows]


VISITS = stored(
    "visits",
    "Visits",
    "Every alignment visit: why, in what state of the machine, who opened and who signed it.",
    Source(Visit.objects.all, "machine", "opened_at"),
    _VISIT,
    day="the day it was opened",
    page="alignment:visits",
    more=(whole("amendments", "How many amendments stand beside it."),),
    add=_amendments,
)


def _amended(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Say what stands of each result now; the results of amended visits are read whole, for one leans on another."""
    visits = {row[_AT["visit_id"]] for row in rows}
    amended = set(
        Amendment.objects.filter(visit__in=visits, station__isnull=False).values_list("visit_id", flat=True)
    )
    found = Result.objects.filter(visit__in=amended).order_by("pk")
    numbers, values = [], []
    for pk, *columns in found.values_list("pk", *COLUMNS):
        numbers.append(pk)
        values.append(Value(*columns))
    kept = {_key(value): value for value in stand(values, last_words(amended)).values}
    now = {pk: kept.get(_key(value)) for pk, value in zip(numbers, values, strict=True)}
    for row in rows:
        if row[0] not in now:
            yield ("", *(row[_AT[name]] for name in ("x_um", "y_um", "radial_um", "verdict")))
        elif (value := now[row[0]]) is None:
            yield ("set aside", None, None, None, None)
        else:
            word = "amended" if value.amended else ""
            yield (word, value.x_um, value.y_um, value.radial_um, value.verdict)


def _key(value: Value) -> tuple[Any, ...]:
    return (value.visit_id, value.station_id, value.stage, value.seat, value.method)


_VERDICTS = (("in", "proven within"), ("not proven", "neither"), ("out", "proven outside"))
_SLOPE = "mm/m"
_RESULT = (
    Field(whole("result_id", "Number of the result."), "pk"),
    VISIT,
    *of_station("station_id", Station.Kind.choices),
    Field(time("opened_at", "When the visit was opened."), "visit__opened_at"),
    Field(
        text("visit_state", "Where the visit stands: only a signed one counts.", Visit.State.choices), "visit__state"
    ),
    STAGE,
    SEAT,
    Field(number("x_um", f"Offset across from the ram line, {FROM_CRANK}.", "um"), "x_um"),
    Field(number("y_um", f"Offset from the ram line, {UP}.", "um"), "y_um"),
    Field(number("radial_um", "Size of the offset.", "um"), "radial_um"),
    Field(number("u_x_um", "Standard uncertainty of x_um.", "um"), "u_x_um"),
    Field(number("u_y_um", "Standard uncertainty of y_um.", "um"), "u_y_um"),
    Field(number("expanded_um", "Expanded uncertainty of radial_um, about 95 %.", "um"), "expanded_um"),
    Field(number("tir_um", "Full indicator reading, about twice the offset.", "um"), "tir_um"),
    Field(
        number("closure_um", "Sum of opposite readings less that of the others: nought in a clean sweep.", "um"),
        "closure_um",
    ),
    Field(number("return_um", "First position read again, less as first read.", "um"), "return_um"),
    Field(number("out_of_round_um", "What the readings say of the surface's roundness.", "um"), "out_of_round_um"),
    Field(number("tilt_x_mm_per_m", "Slope across.", _SLOPE), "tilt_x_mm_per_m"),
    Field(number("tilt_y_mm_per_m", "Slope upward.", _SLOPE), "tilt_y_mm_per_m"),
    Field(number("tilt_expanded_mm_per_m", "Expanded uncertainty of the slope.", _SLOPE), "tilt_expanded_mm_per_m"),
    Field(
        text("method", "Measured at rest or running: two quantities, never to be averaged.", Method.choices), "method"
    ),
    Field(text("carrier", "What carried the dial; empty for a running value.", Station.Carrier.choices), "carrier"),
    Field(text("verdict", "Against the limit, uncertainty taken in (ISO 14253-1).", _VERDICTS), "verdict"),
    Field(yes_no("withheld", "Whether it was to be read again and nobody confirmed it."), "withheld"),
    Field(
        number("share_of_limit", "Offset over its limit, or the slope over its own where that is more."), "severity"
    ),
    Field(number("limit_um", "Limit of the offset on that day.", "um"), "limit_um"),
    Field(number("tilt_limit_mm_per_m", "Limit of the slope on that day.", _SLOPE), "tilt_limit_mm_per_m"),
    Field(whole("readings", "Readings, or strokes, that it rests on."), "readings"),
    Field(yes_no("not_touched", "Whether as left is as found: the station was not touched."), "carried"),
    Field(text("algorithm", "Version of the computation."), "algorithm"),
)
_AT = {field.column.name: index for index, field in enumerate(_RESULT)}

RESULTS = stored(
    "results",
    "Results",
    "What the readings of each station came to, as signed, and beside it what stands after the amendments.",
    Source(Result.objects.all, "visit__machine", "visit__opened_at"),
    _RESULT,
    day=BY_OPENING,
    page="alignment:visits",
    more=(
        text(
            "amendment",
            "What an amendment did to it; empty: nothing.",
            (("amended", "another value stands"), ("set aside", "no value stands")),
        ),
        number("now_x_um", "Offset across that stands now.", "um"),
        number("now_y_um", "Offset up that stands now.", "um"),
        number("now_radial_um", "Size of the offset that stands now.", "um"),
        text("now_verdict", "Verdict that stands now.", _VERDICTS),
    ),
    add=_amended,
)


def _as_amended(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Return the last word on each reading of a batch, which has them in the order of their numbers."""
    said = AmendedReading.objects.filter(reading__gte=rows[0][0], reading__lte=rows[-1][0])
    last = dict(said.order_by("amendment__at", "amendment_id", "pk").values_list("reading_id", "value_um"))
    return [(last.get(row[0]),) for row in rows]


READINGS = stored(
    "readings",
    "Readings",
    "Every reading of a dial as typed, with the set-up of its sweep.",
    Source(Reading.objects.all, "sweep__visit__machine", "sweep__visit__opened_at"),
    (
        Field(whole("reading_id", "Number of the reading."), "pk"),
        Field(whole("sweep_id", "Number of the sweep: readings of one sweep belong together."), "sweep_id"),
        visit_number("sweep__visit_id"),
        *of_station("sweep__station_id", Station.Kind.choices),
        Field(STAGE.column, "sweep__stage"),
        Field(SEAT.column, "sweep__seat"),
        Field(text("swept", "What the indicator went round.", Sweep.Kind.choices), "sweep__kind"),
        Field(text("surface", "Bore or outside.", Station.Surface.choices), "sweep__surface"),
        Field(text("carrier", "What carried the dial.", Station.Carrier.choices), "sweep__carrier"),
        Field(text("view", "The end from which the clock was read.", Station.View.choices), "sweep__view"),
        Field(text("facing", "Which way a swept face looks.", Sweep.Facing.choices), "sweep__facing"),
        Field(yes_no("plunger_reversed", "Whether the dial ran backward."), "sweep__plunger_reversed"),
        Field(text("indicator", "The indicator used."), "sweep__indicator"),
        Field(number("resolution_um", "Step of the dial.", "um"), "sweep__resolution_um"),
        Field(number("sag_um", "Droop of the set-up: reading at 6 relative to 12.", "um"), "sweep__sag_um"),
        Field(number("face_radius_mm", "Radius at which a face was swept.", "mm"), "sweep__face_radius_mm"),
        Field(number("ram_position_mm", "Ram travel from full back.", "mm"), "sweep__ram_position_mm"),
        Field(whole("repeat", "Which turn of the sweep."), "repeat"),
        Field(number("angle_deg", "Clock position, from 12 clockwise in the view above.", "degrees"), "angle_deg"),
        Field(yes_no("is_return", "Whether it is the first position read again."), "is_return"),
        Field(number("value_um", "The reading.", "um"), "value_um"),
        Field(text("typed", "The reading as typed."), "typed"),
        Field(text("unit", "The unit it was typed in."), "unit"),
        person("read_by", "Who typed it.", "by_id"),
        Field(time("read_at", "When it was typed."), "at"),
    ),
    day=BY_OPENING,
    page="alignment:visits",
    more=(number("amended_value_um", "The reading that an amendment says it should have been.", "um"),),
    add=_as_amended,
)


def _thicknesses(asked: Asked, kept: Any) -> str:
    return " ".join(f"{thickness:g}" for thickness in kept or ())


MOVES = stored(
    "moves",
    "Moves",
    "Every move of an adjuster that was really made.",
    Source(MoveMade.objects.all, "visit__machine", "visit__opened_at"),
    (
        Field(whole("move_id", "Number of the move."), "pk"),
        VISIT,
        *of_station("station_id", Station.Kind.choices),
        Field(text("adjuster", "The adjuster moved."), "adjuster__name"),
        Field(text("verb", "What was done; empty: an old record, told in words.", MoveMade.Verb.choices), "verb"),
        Field(number("travel_um", "Travel, positive in the adjuster's own direction.", "um"), "travel_um"),
        Field(text("typed", "The travel as typed."), "typed"),
        Field(text("unit", "The unit it was typed in."), "unit"),
        Field(
            text("put_in_um", "Thickness of each shim put in, in um, parted by blanks."), "put_in_um", _thicknesses
        ),
        Field(text("taken_out_um", "Thickness of each shim taken out, likewise."), "taken_out_um", _thicknesses),
        Field(number("turns", "Turns of a screw, clockwise (in) positive.", "turns"), "turns"),
        Field(number("toward_deg", "Where the part went, clock angle seen from the crank.", "degrees"), "toward_deg"),
        Field(text("toward_end", "Where it went along the ram: toward domer or crank."), "toward_end"),
        Field(text("words", "What was done, as an old record says it."), "words"),
        person("moved_by", "Who wrote it down.", "by_id"),
        Field(time("moved_at", "When it was written down."), "at"),
    ),
    day=BY_OPENING,
    page="alignment:visits",
)

AMENDMENTS = stored(
    "amendments",
    "Amendments",
    "What was found wrong with a signed visit: the reason, and the value that should stand.",
    Source(Amendment.objects.all, "visit__machine", "at"),
    (
        Field(whole("amendment_id", "Number of the amendment."), "pk"),
        VISIT,
        *machine_and_line("visit__machine_id"),
        Field(text("station", "Station it is about; empty: the visit as a whole."), "station__name"),
        STAGE,
        SEAT,
        Field(text("reason", "What was wrong."), "reason"),
        Field(yes_no("set_aside", "Whether the value is left out of trends."), "set_aside"),
        Field(number("x_um", f"Offset across that should stand, {FROM_CRANK}.", "um"), "x_um"),
        Field(number("y_um", f"Offset that should stand, {UP}.", "um"), "y_um"),
        person("amended_by", "Who amended it.", "by_id"),
        Field(time("amended_at", "When."), "at"),
    ),
    day="the day of the amendment",
    page="alignment:visits",
)

TABLES = (VISITS, RESULTS, READINGS, MOVES, AMENDMENTS)
