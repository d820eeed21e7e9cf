"""Where to look first for a finding: the plant's symptom table, put in the order in which the record supports it.

Each row gathers points for what the machine's own record says of it, and every point comes with its sentence. The
weights are common practice without a source; they only put the rows in an order, and the sentences are what counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from linelog.alignment.standing import Value
from linelog.calc.frame import clock_words
from linelog.calc.readings import View
from linelog.calc.repeat import Together
from linelog.calc.verdict import Judged, Verdict, judge
from linelog.plant.models import Station, Symptom
from linelog.production.models import Event, WallRing
from linelog.trends import words
from linelog.trends.queries.findings import AlikeFound
from linelog.trends.then import Stood, Then

OUT, REPEATS, TOGETHER, EVENT = 4, 3, 4, 3
RISKY, MANY_MACHINES, NOT_PROVEN, PROVEN_IN = 2, 2, 1, -2
MANY = 3  # machines with the same defect in the same days speak against any one of them
WALL_POINTS = {WallRing.State.ACT: 4, WallRing.State.LOOK: 2, WallRing.State.FAIR: 0, WallRing.State.GOOD: -2}
WALL_TILTS = 2
Aspect, Other = Symptom.Aspect, Symptom.Other
HAPPENS = {
    Other.PRESSURE: Event.Kind.PRESSURE,
    Other.METAL: Event.Kind.METAL,
    Other.LUBRICATION: Event.Kind.LUBRICATION,
    Other.COOLANT: Event.Kind.LUBRICATION,
}


@dataclass(slots=True)
class Hint:
    """A row of the symptom table with what the record says for and against it."""

    where: str
    words: str
    points: int = 0
    reasons: list[str] = field(default_factory=list)

    def add(self, points: int, reason: str) -> None:
        """Take a sentence into account; one that is there already counts once."""
        if reason not in self.reasons:
            self.points += points
            self.reasons.append(reason)

    @property
    def word(self) -> str:
        """How far the record supports it, in a word."""
        if self.points >= OUT:
            return "record speaks for it"
        if self.points > 0:
            return "some support"
        return "record speaks against it" if self.points < 0 else "nothing known"

    @property
    def state(self) -> str:
        """The class that gives the word its shape."""
        if self.points >= OUT:
            return "out"
        if self.points > 0:
            return "unsure"
        return "in" if self.points < 0 else "none"


def where_to_look(
    symptoms: Sequence[Symptom], record: Then | None, others: AlikeFound, risk_percent: float
) -> list[Hint]:
    """Return the rows in the order that the record supports, in the table's order where it says nothing."""
    hints = []
    for symptom in symptoms:
        hint = Hint(symptom.where, symptom.words)
        if record is not None and symptom.station_kind:
            _station(hint, symptom, record, risk_percent / 100.0)
        elif symptom.other:
            _other_cause(hint, symptom, record, others)
        if not hint.reasons:
            hint.reasons.append("The record says nothing for or against it.")
        hints.append(hint)
    return sorted(hints, key=lambda hint: -hint.points)


def _station(hint: Hint, symptom: Symptom, record: Then, risk: float) -> None:
    places = [one for one in record.stood if one.station.kind == symptom.station_kind]
    if not places:
        hint.reasons.append("This machine has no such station that is measured.")
    for one in places:
        _measured(hint, one, symptom.aspect, record)
        _history(hint, one, risk, symptom.aspect)
    if symptom.station_kind == Station.Kind.TOOL_PACK:
        _wall(hint, symptom.aspect, record)
    if symptom.aspect == Aspect.TOGETHER and record.together in (Together.UP, Together.DOWN, Together.SIDEWAYS):
        hint.add(TOGETHER, f"The nearest visit found its stations {record.together.value}.")


def _judge_of(aspect: str) -> Callable[[Value], Judged | None]:
    """Judge a value by what the row is about: its offset, its tilt, or the worse of both."""
    if aspect == Aspect.PARALLEL:
        return lambda value: judge(value.radial_um, value.expanded_um, value.limit_um)
    if aspect == Aspect.TILT:
        return _judge_tilt
    return _judged_at_the_visit


def _judged_at_the_visit(value: Value) -> Judged:
    return Judged(Verdict(value.verdict), value.severity, value.radial_um, value.expanded_um, value.limit_um)


def _judge_tilt(value: Value) -> Judged | None:
    x, y, expanded = value.tilt_x_mm_per_m, value.tilt_y_mm_per_m, value.tilt_expanded_mm_per_m
    if x is None or y is None or expanded is None or value.tilt_limit_mm_per_m is None:
        return None
    return judge(math.hypot(x, y), expanded, value.tilt_limit_mm_per_m)


def _measured(hint: Hint, one: Stood, aspect: str, record: Then) -> None:
    """Take into account how it was left before and found after."""
    proven_in: list[str] = []
    judge_value = _judge_of(aspect)
    what = "its tilt at " if aspect == Aspect.TILT else ""
    for value, said in ((one.before, "left"), (one.after, "found")):
        judged = judge_value(value) if value is not None else None
        if value is None or judged is None:
            continue
        sentence = (
            f"{one.place}: {said} {judged.verdict.value} on {words.date(record.log.day_of(value.visit_at))}, {what}"
        )
        sentence += f"{judged.severity:.2f} of the limit."
        if judged.verdict is Verdict.IN:
            proven_in.append(sentence)
        else:
            hint.add(OUT if judged.verdict is Verdict.OUT else NOT_PROVEN, sentence)
    if len(proven_in) == 2:
        hint.add(PROVEN_IN, f"{proven_in[0][:-1]}, and {proven_in[1].split(': ', 1)[1]}")
    elif proven_in and not hint.reasons:
        hint.add(0, proven_in[0])


def _wall(hint: Hint, aspect: str, record: Then) -> None:
    """Take into account the can of this machine gauged nearest in time: how its wall varies, and with its height."""
    if not record.log.walls:
        return
    sample = record.log.walls[0].sample
    rings = [ring for ring in record.log.walls if ring.sample_id == sample.pk]
    made = words.date(record.log.day_of(sample.taken_at))
    if aspect == Aspect.TILT:
        x, y, expanded = sample.tilt_x_mm_per_m, sample.tilt_y_mm_per_m, sample.tilt_expanded_mm_per_m
        if x is not None and y is not None and expanded is not None and math.hypot(x, y) > expanded:
            hint.add(WALL_TILTS, f"The thick side of the can gauged of {made} moves with its height.")
        return
    worst = max(rings, key=lambda ring: WALL_POINTS[WallRing.State(ring.state)])
    thin = f", thin toward {clock_words(worst.thin_deg, View.CRANK)}" if worst.thin_deg is not None else ""
    said = f"The wall of the can gauged of {made}, {worst.height_mm:g} mm above the dome: {worst.state}{thin}."
    hint.add(WALL_POINTS[WallRing.State(worst.state)], said)


def _history(hint: Hint, one: Stood, risk: float, aspect: str) -> None:
    if one.repeat.repeats:
        often = f"out on {one.repeat.out} of the last {one.repeat.visits} visits, {one.repeat.pattern.value}"
        hint.add(REPEATS, f"{one.place}: a problem that comes back, {often}.")
    if aspect != Aspect.TILT and one.risk is not None and one.risk >= risk:
        hint.add(RISKY, f"{one.place}: the chance that it was out by then was {one.risk_percent}.")


def _other_cause(hint: Hint, symptom: Symptom, record: Then | None, others: AlikeFound) -> None:
    if others.machines_with_code >= MANY and symptom.other in (Other.METAL, Other.LUBRICATION, Other.COOLANT):
        found = f"The same defect was found on {others.machines_with_code} machines within {others.days} days"
        hint.add(MANY_MACHINES, f"{found}: what they share comes before any one of them.")
    if record is None:
        return
    for event in record.log.changed:
        if HAPPENS.get(Other(symptom.other)) == event.kind:
            note = f": {event.note}" if event.note else ""
            said = f"{event.get_kind_display()} on {event.machine}, {words.date(record.log.day_of(event.at))}{note}"
            hint.add(EVENT, said.rstrip(".") + ".")
    if symptom.other == Other.WORN_DIE:
        for tools in record.log.tools:
            days = (record.log.day - record.log.day_of(tools.begins)).days
            hint.add(0, f"{tools.name} had been in for {words.plural(max(days, 0), 'day')}.")
