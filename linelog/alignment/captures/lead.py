"""What a capture's page leads with: the verdict of each phase, what to do next, and in which order."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from django.utils import timezone

from linelog.alignment.advice import Advice, advise_ran
from linelog.alignment.captures.working import REFERENCE
from linelog.alignment.models import BushingFitted, Capture, CaptureValue, MoveMade, Visit
from linelog.alignment.order_of_work import Step, after_words, first_of, steps_of
from linelog.alignment.queries import adjusters_of
from linelog.alignment.results.captions import stands_words, where_words
from linelog.alignment.results.now import machine_statuses
from linelog.alignment.results.status import StationStatus, status_of
from linelog.alignment.running import Knowledge
from linelog.alignment.services.joining import chosen
from linelog.alignment.standing import AS_FOUND, RUNNING, Value
from linelog.calc.readings import View
from linelog.calc.station_state import Running, running_says
from linelog.calc.units import Unit
from linelog.calc.verdict import judge
from linelog.plant.limits import under_rules
from linelog.plant.models import Station
from linelog.web.units import show_um

WINDOWS = {
    CaptureValue.Phase.FORWARD: ("forward_from_deg", "dome_from_deg"),
    CaptureValue.Phase.DOME: ("dome_from_deg", "dome_to_deg"),
    CaptureValue.Phase.RETURN: ("dome_to_deg", "return_to_deg"),
}
BEYOND = {
    CaptureValue.Phase.FORWARD: (
        "On the forward stroke it runs beyond its limit: {off}. The move is not worked out for this phase: look at "
        "the clearance of the bushings and at the warnings below."
    ),
    CaptureValue.Phase.DOME: (
        "At dome formation it runs beyond its limit: {off}. The move is not worked out for this phase: look at "
        "the clearance of the bushings and at the warnings below."
    ),
    CaptureValue.Phase.RETURN: (
        "On the return stroke it runs beyond its limit: {off}. The move is not worked out for this phase: look at "
        "the clearance of the bushings and at the warnings below."
    ),
}
SEAT_BEYOND = {
    "front": "Carried on to the front seat it would run {off}, beyond the limit: sweep both seats.",
    "rear": "Carried on to the rear seat it would run {off}, beyond the limit: sweep both seats.",
}
AFTER_MOVE = {
    CaptureValue.Phase.FORWARD: "After this move the forward stroke is expected {off}, beyond the limit.",
    CaptureValue.Phase.DOME: "After this move dome formation is expected {off}, beyond the limit.",
    CaptureValue.Phase.RETURN: "After this move the return stroke is expected {off}, beyond the limit.",
}
MOVED_SINCE = "No move by this capture: the station or a bushing was moved after it. Measure it running again."
NEWER = "No move by this capture: a newer one was made of this station. Go by that one."
SET_ASIDE = "No move by this capture: it was set aside."
STATES = {Running.OUT: "out", Running.PROBABLY_OUT: "unsure", Running.NOT_PROVEN: "unsure", Running.IN: "in"}


@dataclass(frozen=True, slots=True)
class PhaseVerdict:
    """How the station runs in one phase: where, against the limit, and whether the move is for this phase."""

    phase: str
    window: str
    off: str
    expanded: str
    share: float
    word: str
    css: str
    counts: bool


@dataclass(frozen=True, slots=True)
class Lead:
    """The head of a capture's page."""

    status: StationStatus
    words: str
    verdicts: tuple[PhaseVerdict, ...]
    beyond: tuple[str, ...]
    advice: Advice
    steps: tuple[Step, ...]
    after: tuple[str, ...]

    @property
    def first(self) -> Step | None:
        """The station to be taken before this one, where there is one."""
        first = first_of(self.steps)
        return None if first is None or first.here else first


def lead_of(capture: Capture, values: Sequence[CaptureValue], unit: Unit, now: dt.datetime) -> Lead | None:
    """Put the head of a capture's page together; None where it says nothing of a station."""
    counts = chosen(values)
    if counts is None:
        return None
    station = _limited(capture, counts.station)
    view = View(station.view)
    ran = _value(capture, counts, station)
    status = status_of(station, [], ran, Knowledge(), {}, now)
    middle = [one for one in values if one.seat == REFERENCE]
    advice = advise_ran(station, status, adjusters_of(station), unit, view)
    stale = _stale(capture, station)
    if stale:
        advice = Advice(stale, withheld=True)
    elif advice.lines:
        more = _left_beyond(middle, counts, station, advice, unit)
        advice = replace(advice, notes=(*more, *advice.notes))
    statuses = machine_statuses(capture.machine, now) if advice.lines else []
    return Lead(
        status=status,
        words=stands_words(status, unit, view),
        verdicts=tuple(_verdict(one, capture, station, unit, counts=one is counts) for one in middle),
        beyond=tuple(_beyond(values, counts, station, unit)),
        advice=advice,
        steps=steps_of(statuses, status, now) if advice.lines else (),
        after=after_words(station, [one.station for one in statuses]) if advice.lines else (),
    )


def _limited(capture: Capture, station: Station) -> Station:
    """Return the station with the limit that held when the capture was made."""
    day = timezone.localtime(capture.recorded_at).date()
    found = under_rules([station], capture.machine.line.plant, capture.recorded_at, day)[0]
    found.machine = capture.machine
    return found


def _value(capture: Capture, one: CaptureValue, station: Station) -> Value:
    """Return a capture's value as a running value is kept in a visit."""
    judged = judge(one.radial_um, one.expanded_um, station.limit_um)
    return Value(
        visit_id=capture.visit_id or 0,
        visit_at=capture.recorded_at,
        station_id=station.pk,
        seat=one.seat,
        stage=capture.stage or AS_FOUND,
        method=RUNNING,
        x_um=one.x_um,
        y_um=one.y_um,
        radial_um=one.radial_um,
        expanded_um=one.expanded_um,
        limit_um=station.limit_um,
        verdict=judged.verdict.value,
        severity=judged.severity,
        carried=False,
        u_x_um=one.u_x_um,
        u_y_um=one.u_y_um,
    )


def _verdict(one: CaptureValue, capture: Capture, station: Station, unit: Unit, *, counts: bool) -> PhaseVerdict:
    judged = judge(one.radial_um, one.expanded_um, station.limit_um)
    says = running_says(judged)
    crank = capture.worked_with["crank"]
    begins, ends = (crank[name] for name in WINDOWS[CaptureValue.Phase(one.phase)])
    return PhaseVerdict(
        phase=one.get_phase_display(),
        window=f"{begins:g}–{ends:g}",
        off=_off(one.x_um, one.y_um, station, unit),
        expanded=show_um(one.expanded_um, unit, with_unit=True),
        share=judged.severity,
        word=says.value,
        css=STATES[says],
        counts=counts,
    )


def _off(x_um: float, y_um: float, station: Station, unit: Unit) -> str:
    return f"{show_um(math.hypot(x_um, y_um), unit, with_unit=True)} {where_words(x_um, y_um, View(station.view))}"


def _beyond(values: Sequence[CaptureValue], counts: CaptureValue, station: Station, unit: Unit) -> list[str]:
    """Say which other phases, and which seats in the phase that counts, lie beyond the limit.

    Where the phase that counts does so itself a move is offered, and is told what it would leave of the others.
    """
    words: list[str] = []
    if counts.radial_um > station.limit_um:
        return words
    for one in values:
        off = _off(one.x_um, one.y_um, station, unit)
        if one.radial_um <= station.limit_um or one is counts:
            continue
        if one.seat == REFERENCE:
            words.append(BEYOND[CaptureValue.Phase(one.phase)].format(off=off))
        elif one.phase == counts.phase:
            words.append(SEAT_BEYOND[one.seat].format(off=off))
    return words


def _left_beyond(
    middle: Sequence[CaptureValue], counts: CaptureValue, station: Station, advice: Advice, unit: Unit
) -> list[str]:
    """Say which other phases the move is expected to leave beyond the limit."""
    words = []
    for one in middle:
        x, y = one.x_um + advice.shift_um[0], one.y_um + advice.shift_um[1]
        if one is not counts and math.hypot(x, y) > station.limit_um:
            words.append(AFTER_MOVE[CaptureValue.Phase(one.phase)].format(off=_off(x, y, station, unit)))
    return words


def _stale(capture: Capture, station: Station) -> str:
    """Say why no move goes by this capture any more, or ''."""
    if capture.set_aside_at is not None:
        return SET_ASIDE
    mine = Station.objects.filter(machine=capture.machine_id)
    touched = [station.pk, *mine.filter(kind__in=Station.BUSHINGS).values_list("pk", flat=True)]
    moves = MoveMade.objects.filter(station__in=touched, at__gt=capture.recorded_at)
    fitted = BushingFitted.objects.filter(station__in=touched, at__gt=capture.recorded_at)
    if any(rows.exclude(visit__state=Visit.State.DROPPED).exists() for rows in (moves, fitted)):
        return MOVED_SINCE
    newer = CaptureValue.objects.filter(
        station=station, capture__recorded_at__gt=capture.recorded_at, capture__set_aside_at__isnull=True
    )
    return NEWER if newer.exists() else ""
