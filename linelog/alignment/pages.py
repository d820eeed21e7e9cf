"""What the entry screen shows: everything of one sweep, put together from rows and from `calc`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from django.utils import timezone

from linelog.alignment import advice, clock
from linelog.alignment.amended import AmendedLine, amended_lines, readings_of
from linelog.alignment.budget_lines import BudgetLine, budget_lines
from linelog.alignment.clock_fields import Position, position_of_clock, readings_of_sweep
from linelog.alignment.computing import Outcome, StationOutcome
from linelog.alignment.drawing import Drawing, draw
from linelog.alignment.inched import powered_between
from linelog.alignment.judging import with_overtaken
from linelog.alignment.measured import Measured, read
from linelog.alignment.models import AmendedReading, Lockout, MoveMade, Result, Stage, StationNote, Sweep, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.not_proven import coarse_words
from linelog.alignment.offers import Offer, offers_of
from linelog.alignment.order_of_work import Step, after_words, steps_in
from linelog.alignment.place import Place
from linelog.alignment.queries import left_last_time, moved_at, stations_of, sweep_defaults
from linelog.alignment.results.captions import known_words, stands_words
from linelog.alignment.results.of_visit import outcome_status, visit_statuses
from linelog.alignment.results.static_target import StaticTarget, rests_on, target_at, target_words
from linelog.alignment.results.status import StationStatus
from linelog.alignment.results.unswept import last_read, parts_open
from linelog.alignment.run_column import RunColumn, column_of_outcome, column_of_run
from linelog.alignment.running import Running, as_running, running_found
from linelog.alignment.services.readings import fingerprint
from linelog.alignment.since_move import since_last_move
from linelog.alignment.ways import Ways
from linelog.alignment.words import plunger_words, set_up_origin, set_up_words, shown, suspect_words
from linelog.calc import frame
from linelog.calc.readings import View
from linelog.calc.sweep import droop_from_sag
from linelog.calc.units import Unit
from linelog.plant.captions import rule_words
from linelog.plant.models import Adjuster, Person, Station
from linelog.web import units


@dataclass(frozen=True)
class StationPage:
    """The entry screen of one sweep. What only the whole screen shows is read when it is asked for."""

    visit: Visit
    station: Station
    place: Place
    sweep: Sweep
    reader: Unit
    found: StationOutcome
    outcome: Outcome
    running: Running | None
    stands: StationStatus
    target: StaticTarget | None
    advice: advice.Advice
    drawing: Drawing | None
    positions: tuple[Position, ...]
    again: Position
    repeat: int
    rows: list[Sweep]
    adjusters: Sequence[Adjuster]
    moves: tuple[MoveMade, ...]
    note: StationNote | None
    line_moves: tuple[MoveMade, ...] = ()
    lockouts: tuple[Lockout, ...] | None = None

    @cached_property
    def powered_between(self) -> str:
        """Say so where the machine was powered in the middle of this sweep."""
        typed = [one for one in self.sweep.readings.all() if one.repeat == self.repeat] if self.sweep.pk else []
        if len(typed) < 2:
            return ""
        return powered_between(typed, self.visit.lockouts.all() if self.lockouts is None else self.lockouts)

    @cached_property
    def ways(self) -> Ways:
        """Where this screen is, and where one can go from it."""
        moves = (*self.moves, *self.line_moves)
        has_value = self.outcome.value is not None
        return Ways(self.visit, self.place, self.sweep, self.repeat, self.rows, moves, has_value=has_value)

    @cached_property
    def fields(self) -> tuple[Position, ...]:
        """The positions of the clock, each with what stood there when the place was left last time."""
        last = left_last_time(self.sweep)
        if last is None:
            return self.positions
        mirrored = last.view != self.sweep.view
        counted = since_last_move(
            [(last, list(last.readings.all()))], Stage.AS_LEFT, moved_at(last.visit, self.station)
        )[0][1]
        newest = min((row.repeat for row in counted), default=1)
        was = {
            round(360.0 - row.angle_deg if mirrored else row.angle_deg) % 360: shown(row, self.reader)
            for row in counted
            if row.repeat == newest and not row.is_return
        }
        return tuple(replace(one, last=was.get(round(one.angle_deg), "")) for one in self.positions)

    @cached_property
    def amended(self) -> tuple[AmendedLine, ...]:
        """What amendments made of the values of this sweep's stage."""
        if self.visit.state != Visit.State.SIGNED:
            return ()
        stand = visit_statuses(self.visit, [self.station], timezone.now())
        lines = amended_lines(self.visit, stand).get(self.station.pk, ())
        return tuple(line for line in lines if line.first.stage == self.place.stage)

    @cached_property
    def amended_readings(self) -> tuple[AmendedReading, ...]:
        """The readings of this sweep that were typed anew."""
        mine = {reading.pk for reading in self.sweep.readings.all()} if self.sweep.pk else set()
        return tuple(row for key, row in readings_of(self.visit).items() if key in mine)

    @cached_property
    def stands_words(self) -> str:
        """How the station stands, measured and running; '' where nothing is known of it running."""
        known = (self.stands.running is not None or self.stands.unswept) and not self.station.is_bushing
        return stands_words(self.stands, self.reader, View(self.sweep.view)) if known else ""

    @property
    def known_words(self) -> str:
        """What the running figure rests on, or that it cannot be known; '' before there is a value."""
        measured = self.stands.measured is not None and not self.station.is_bushing
        return known_words(self.stands) if measured else ""

    @property
    def target_words(self) -> str:
        """Where to leave this seat statically so that it runs true."""
        return target_words(self.target, self.reader, View(self.sweep.view)) if self.target else ""

    @property
    def target_rests_on(self) -> str:
        """What the static target rests on."""
        return rests_on(self.target) if self.target else ""

    @cached_property
    def expected(self) -> Outcome | None:
        """What this sweep is expected to come to when the machine runs; None where nothing is known."""
        if self.running is None or self.place.kind == Sweep.Kind.FACE:
            return None
        found = self.running.found.seats[self.place.seat]
        return found if found.value is not None else None

    @property
    def expected_tilt(self) -> StationOutcome | None:
        """The station as it is expected to tilt when running, where it was measured and anything is known."""
        return self.running.found if self.running is not None and self.found.tilt is not None else None

    @cached_property
    def ran(self) -> tuple[Result, ...]:
        """The running values typed in, those too that a move has overtaken."""
        return tuple(with_overtaken(self.visit.results.filter(station=self.station, method=Method.RUNNING)))

    @property
    def moves_for_ran(self) -> bool:
        """Whether a move is offered for a value that was measured running."""
        return self.stands.ran is not None and bool(self.advice.offered)

    @cached_property
    def order(self) -> tuple[Step, ...]:
        """The stations to take in their order, where a move is offered for a value measured running."""
        return steps_in(self.visit, self.stands, timezone.now()) if self.moves_for_ran else ()

    @cached_property
    def after(self) -> tuple[str, ...]:
        """What is measured after a move for a value measured running."""
        return after_words(self.station, stations_of(self.visit.machine)) if self.moves_for_ran else ()

    @property
    def view(self) -> View:
        """The end the person stands at: everything on this screen is told as seen from there."""
        return View(self.sweep.view)

    @cached_property
    def view_words(self) -> str:
        """That end in words."""
        return frame.view_words(self.view)

    @cached_property
    def off(self) -> tuple[float, float]:
        """The offset (um) or the tilt (mm/m) of this sweep in the person's view: right, up."""
        value = self.outcome.value
        return frame.turn(value.x, value.y, self.view) if value else (0.0, 0.0)

    @cached_property
    def runs(self) -> RunColumn | None:
        """What the station does when running: the value that was measured and holds, else what is expected."""
        if self.place.kind != Sweep.Kind.RIM:
            return None
        return column_of_run(self.stands.ran, self.view) if self.stands.ran else self._runs_expected

    @property
    def runs_second(self) -> RunColumn | None:
        """What is expected where a value was measured running: it stands second."""
        return self._runs_expected if self.runs is not None and self.runs.is_measured else None

    @cached_property
    def _runs_expected(self) -> RunColumn | None:
        return column_of_outcome(self.expected, self.view) if self.expected else None

    @property
    def direction(self) -> str:
        """The clock direction of the offset, with the view named."""
        value = self.outcome.value
        if value is None or value.direction_deg is None:
            return ""
        return frame.direction_words(value.x, value.y, self.view)

    @property
    def typed_otherwise(self) -> tuple[str, ...]:
        """The other units that readings shown here were typed in: they are shown converted."""
        repeat = (reading for reading in readings_of_sweep(self.sweep) if reading.repeat == self.repeat)
        return tuple(sorted({Unit(reading.unit).word for reading in repeat} - {self.reader.word}))

    @property
    def limit_words(self) -> str:
        """Which rule gave the limit; empty where it is the station's own."""
        return rule_words(self.station.limit_rule, self.reader)

    @property
    def missing(self) -> str:
        """The positions still to read."""
        return clock.words(self.outcome.missing_deg)

    @property
    def suspect(self) -> str:
        """Which reading would explain that the sweep is to be read again, or ''."""
        return suspect_words(self.outcome.suspect, self.reader) if self.outcome.suspect else ""

    @property
    def too_coarse(self) -> str:
        """That the dial is too coarse for the limit, or ''."""
        limit = self.station.tilt_limit_mm_per_m if self.place.kind == Sweep.Kind.FACE else self.station.limit_um
        return coarse_words(self.outcome, limit, self.reader) if self.outcome.coarse and limit else ""

    @property
    def droop_um(self) -> float:
        """The true droop that the sag entered stands for."""
        return droop_from_sag(self.sweep.sag_um)

    @property
    def set_up(self) -> str:
        """How the sweep is made, in one line."""
        return set_up_words(self.sweep, self.reader)

    @property
    def plunger(self) -> str:
        """Which way the dial counts."""
        return plunger_words(self.sweep)

    @property
    def set_up_origin(self) -> str:
        """Whose set-up it is, where a person has not chosen or confirmed it in this visit."""
        return set_up_origin(self.sweep)

    @property
    def asks_which_face(self) -> bool:
        """Whether nothing can be said of a face sweep before the person says which face it was."""
        return self.place.kind == Sweep.Kind.FACE and not self.sweep.facing

    @property
    def seen(self) -> str:
        """The mark of the readings shown, by which they can be confirmed and no others."""
        return fingerprint(self.sweep)

    @property
    def offers(self) -> tuple[Offer, ...]:
        """The moves offered, each with the button that logs it and no other."""
        return offers_of(self.advice)

    @property
    def move_below(self) -> bool:
        """Whether what is to be moved has more than one line, so that the head leads to it instead of telling it."""
        return sum(len(one.lines) for one in self.offers) > 1

    @property
    def budget(self) -> tuple[BudgetLine, ...]:
        """The uncertainty by source, in the reader's unit."""
        value = self.outcome.value
        if value is None:
            return ()
        plant = self.visit.machine.line.plant if self.place.kind == Sweep.Kind.FACE else None
        return budget_lines(value.budget, self.reader, plant)

    @property
    def closure_adds(self) -> str:
        """What a closure that the dial does not explain adds to U, or ''."""
        value = self.outcome.value
        linear = sum(part.linear for part in value.budget) if value else 0.0
        if not linear:
            return ""
        if self.place.kind == Sweep.Kind.FACE:
            slopes = units.slope_unit(self.visit.machine.line.plant, self.reader)
            return units.show_slope(linear, slopes, with_unit=True)
        return units.show_um(linear, self.reader, with_unit=True)

    def position_of(self, typed: Mapping[str, Any]) -> Position | None:
        """Return the field that a sent reading came from, or None where it came from nowhere on this screen."""
        is_return = bool(typed.get("is_return"))
        angle = str(typed.get("angle_deg", ""))
        return next((p for p in (*self.positions, self.again) if p.is_return == is_return and p.sent == angle), None)


def _drawing(found: Outcome, station: Station, unit: Unit, view: View, target: StaticTarget | None) -> Drawing | None:
    if found.value is None or found.rim is None:
        return None
    aim = (target.aim.x, target.aim.y) if target is not None else None
    return draw(found.value.x, found.value.y, found.value.radial.U, station.limit_um, unit, view, target_um=aim)


def station_page(
    *,
    visit: Visit,
    place: Place,
    user: Person,
    at: dt.datetime,
    repeat: int = 1,
    measured: Measured | None = None,
) -> StationPage:
    """Put the entry screen of one sweep together, from what is `measured` where that is in hand."""
    station, reader = place.station, units.of(user)
    have = measured or read(visit, station, place.stage, reader, at)
    sweep = next((r for r in have.rows if (r.stage, r.seat, r.kind) == (place.stage, place.seat, place.kind)), None)
    if sweep is None:
        defaults: dict[str, Any] = sweep_defaults(visit, station, place.seat, place.kind)
        sweep = Sweep(visit=visit, station=station, stage=place.stage, seat=place.seat, kind=place.kind, **defaults)
    outcome = (have.found.face if place.kind == Sweep.Kind.FACE else have.found.seats[place.seat]) or Outcome(sweep)
    running = as_running(have.found, have.knowledge, at)
    open_parts = parts_open(station, have.moves, have.rows, have.line_moves)
    stands = outcome_status(have.found, visit, have.knowledge, have.ran, at, open_parts)
    aimed = place.kind == Sweep.Kind.RIM and not station.is_bushing
    travel, carrier, view = sweep.ram_position_mm, sweep.carrier, View(sweep.view)
    target = target_at(have.knowledge, station, place.seat, travel, at, carrier) if aimed else None
    angles = clock.angles(sweep.positions)
    return StationPage(
        visit=visit,
        station=station,
        place=place,
        sweep=sweep,
        reader=reader,
        found=have.found,
        outcome=outcome,
        running=running,
        stands=stands,
        target=target,
        advice=_advice(have, running, stands, reader, view, place.stage),
        drawing=_drawing(outcome, station, reader, view, target),
        positions=tuple(position_of_clock(sweep, reader, repeat, angle, False) for angle in angles),
        again=position_of_clock(sweep, reader, repeat, angles[0], True),
        repeat=repeat,
        rows=have.rows,
        adjusters=have.adjusters,
        moves=have.moves,
        line_moves=have.line_moves,
        lockouts=have.lockouts,
        note=have.note,
    )


def _advice(
    have: Measured, running: Running | None, stands: StationStatus, reader: Unit, view: View, stage: str
) -> advice.Advice:
    """Say what is to be done, from what the moves logged since have left of it."""
    last = max((*have.moves, *have.line_moves), key=lambda move: move.at, default=None)
    read_at = last_read(row for row in have.rows if row.stage == stage) if stage == Stage.AS_LEFT else None
    return advice.until_swept(have.station, last, read_at) or advice.advise_for(
        have.found,
        running_found(have.found, running, have.ran),
        have.adjusters,
        reader,
        for_running=have.visit.machine.moves_for_running,
        stands=stands,
        seen_from=view,
    )
