"""One invented visit: sweeps as a person would read them, results by the program's own sums, moves, words."""

from __future__ import annotations

import copy
import datetime as dt
from dataclasses import asdict, dataclass, field

import numpy as np
from numpy.typing import NDArray

from linelog.alignment import clock
from linelog.alignment.adjuster_state import move_facts
from linelog.alignment.advice import Advice, advise
from linelog.alignment.computing import StationOutcome, compute_swept
from linelog.alignment.models import (
    BushingClearance,
    BushingPosition,
    MoveMade,
    Reading,
    Result,
    RunningReading,
    Stage,
    StationNote,
    Sweep,
    Visit,
)
from linelog.alignment.models.sweep import Method
from linelog.alignment.running import Knowledge, as_running
from linelog.alignment.services.bushings import TypedClearance, worked_out
from linelog.alignment.services.moves import RunningValue, running_values
from linelog.alignment.services.results import result_values
from linelog.calc.clearance import OtherEnd
from linelog.calc.readings import View
from linelog.calc.units import Unit, to_um
from linelog.calc.verdict import Verdict, judge
from linelog.demo import dial, lockouts, model
from linelog.demo.log import Log
from linelog.demo.scenario import Scenario
from linelog.demo.site import Site
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Person, Plant, Station

Floats = NDArray[np.float64]
STEP = {Unit.MM: (1.0, 0.001, 3), Unit.INCH: (2.54, 0.0001, 4)}  # um, the unit's own, decimals
MANY_POSITIONS = (Station.Kind.TOOL_PACK, Station.Kind.DOMER)
SECONDS_A_READING = 14
WIRE_U_UM = 8.0


@dataclass(slots=True)
class Turned:
    """A sweep with what the dial would read of it exactly, and its readings so far."""

    row: Sweep
    exact: Floats
    readings: list[Reading] = field(default_factory=list)


@dataclass(slots=True)
class Calling:
    """A visit while it lasts: `at` is the time it has come to."""

    log: Log
    site: Site
    plan: Scenario
    plant: Plant
    rng: np.random.Generator
    visit: Visit
    by: Person
    at: dt.datetime
    results: list[Result] = field(default_factory=list)

    @property
    def unit(self) -> Unit:
        """The unit this person types."""
        return Unit(self.by.unit)

    def lock_out(self, *, returned: bool) -> None:
        """Write down the lockouts up to now, from eight minutes after the visit was opened."""
        times = self.visit.opened_at + dt.timedelta(minutes=8), self.at
        shifts = self.plan.shifts
        self.log.lockouts += lockouts.until(self.visit, self.by, times, self.plant, shifts, returned=returned)

    def pass_time(self, minutes: float) -> None:
        """Let some time go by."""
        self.at += dt.timedelta(minutes=minutes)

    def sweep(self, station: Station, stage: str, seen: Floats) -> StationOutcome:
        """Sweep a station, once more where that proves nothing; `seen` (4,) is where it lies as seen from the ram."""
        turned = [self._rim(station, stage, seat, seen) for seat in station.seats]
        if station.face_radius_mm:
            turned.append(self._face(station, stage, seen))
        for one in turned:
            self._read(one, 1)
        found = self._compute(station, stage, turned)
        judged = self._aimed(found).judged
        if judged and judged.verdict is Verdict.NOT_PROVEN and self.rng.random() < self.plan.visiting.repeat_share:
            for one in turned:
                self._read(one, 2)
            found = self._compute(station, stage, turned)
        self.log.sweeps += [one.row for one in turned]
        self.log.readings += [reading for one in turned for reading in one.readings]
        for seat, of_seat in found.seats.items():
            values = result_values(found, of_seat, self.at)
            self.results.append(Result(visit=self.visit, station=station, stage=stage, seat=seat, **values))
        self.pass_time(1.5)
        return found

    def advice(self, found: StationOutcome) -> Advice:
        """Return what the program offers on what was found, for the value that the machine's moves are for."""
        return advise(self._aimed(found), self.site.adjusters[found.station.pk], self.unit, View(found.station.view))

    def _aimed(self, found: StationOutcome) -> StationOutcome:
        """Return the station as it is expected when running, where the machine's moves are for that."""
        knowledge = Knowledge(self.site.hanging, {}, self.site.machine.moves_for_running)
        running = as_running(found, knowledge, self.at) if knowledge.moves_for_running else None
        return running.found if running else found

    def move(self, station: Station, advice: Advice) -> Floats:
        """Make the moves as advised, as well as hands can; return how the station moved, (4,)."""
        travel = np.zeros(len(self.site.adjusters[station.pk]))
        places = {row.pk: number for number, row in enumerate(self.site.adjusters[station.pk])}
        for line in advice.lines:
            row = line.adjuster
            missed = self.rng.normal(0.0, 0.8 if row.kind == row.Kind.SHIM else 0.4 * row.resolution_um)
            travel[places[row.pk]] = line.travel_um + missed
            self.pass_time(4.0)
            self.log.moves.append(
                MoveMade(
                    visit=self.visit,
                    station=station,
                    adjuster=row,
                    travel_um=line.travel_um,
                    typed="as offered",
                    unit="um",
                    words=line.words[:200],
                    **move_facts(row, line.travel_um, line.put_in, line.taken_out, line.turns),
                    by=self.by,
                    at=self.at,
                )
            )
        motion: Floats = (self.site.bodies[station.pk].to_motion @ travel)[[0, 1, 3, 4]]
        return motion

    def say(self, station: Station, advice: Advice, *, not_touched: bool, note: str = "") -> None:
        """Write down what was advised, whether the station was left alone, and a note."""
        words = "; ".join(line.words for line in advice.lines) or advice.headline
        self.log.notes.append(
            StationNote(visit=self.visit, station=station, not_touched=not_touched, note=note, advised=words)
        )

    def carry_over(self) -> None:
        """Carry as found over to as left where nothing was touched and nothing swept again, as signing does."""
        left = {(one.station_id, one.seat) for one in self.results if one.stage == Stage.AS_LEFT}
        for one in list(self.results):
            if one.stage == Stage.AS_FOUND and (one.station_id, one.seat) not in left:
                kept = copy.copy(one)
                kept.stage, kept.carried, kept.at = Stage.AS_LEFT, True, self.at
                self.results.append(kept)

    def run(self, station: Station, static: Floats, rng: np.random.Generator, worn_um: float) -> None:
        """Type in a running offset of the machine after the restart; its bushings are worn so much wider."""
        plan = self.plan.dial
        hangs = self.site.droop_um(station, plan.ram_beyond_mm, worn_um)
        offset = model.running(rng, static, hangs, plan.running_noise_um)
        value = RunningValue(
            round(float(offset[0]), 1),
            round(float(offset[1]), 1),
            plan.running_expanded_um,
            plan.running_strokes,
            self.by.unit,
        )
        stage = Stage.AS_LEFT
        self.log.running.append(
            RunningReading(visit=self.visit, station=station, stage=stage, by=self.by, at=self.at, **asdict(value))
        )
        values = running_values(value, station, self.at)
        self.results.append(Result(visit=self.visit, station=station, stage=stage, method=Method.RUNNING, **values))

    def bushing(self, station: Station, worn_um: float, rng: np.random.Generator, *, position: bool) -> None:
        """Move the ram to both stops with the dial beside a bushing; now and then hold it against a wire line too."""
        step = STEP[self.unit][0]
        clearance = float(self.site.machine.bushing_clearance_um or 0.0) + worn_um
        seen = [max(step * round((clearance * part + rng.normal(0.0, 1.5)) / step), 0.0) for part in (1.0, 0.93)]
        typed = TypedClearance(Stage.AS_FOUND, seen[0], seen[1], self.by.unit, step, None, OtherEnd.ROCKS.value)
        who = {"visit": self.visit, "station": station, "stage": Stage.AS_FOUND, "by": self.by, "at": self.at}
        self.log.clearances.append(BushingClearance(**who | typed.columns | worked_out(self.visit, station, typed)))
        if position:
            x, y = (round(float(value), 1) for value in rng.normal(0.0, 4.0, 2))
            judged = judge(float(np.hypot(x, y)), WIRE_U_UM, station.limit_um)
            self.log.positions.append(
                BushingPosition(
                    **who,
                    reference=BushingPosition.Reference.WIRE,
                    x_um=x,
                    y_um=y,
                    expanded_um=WIRE_U_UM,
                    view=station.view,
                    unit=self.by.unit,
                    limit_um=station.limit_um,
                    verdict=judged.verdict.value,
                    severity=judged.severity,
                )
            )

    def read_some(self, station: Station, seen: Floats, positions: int) -> None:
        """Type the first few readings of an as-found sweep, which stays unfinished."""
        one = self._rim(station, Stage.AS_FOUND, station.seats[0], seen)
        self._read(one, 1)
        self.log.sweeps.append(one.row)
        self.log.readings += one.readings[:positions]

    def _rim(self, station: Station, stage: str, seat: str, seen: Floats) -> Turned:
        row = self._row(station, stage, seat, Sweep.Kind.RIM)
        offset = seen[:2] + seen[2:] * (station.seat_z_mm(seat) - reference_z_mm(station))
        angles = np.array(clock.angles(row.positions))
        true_droop = max(0.0, row.sag_um / 2.0 + self.rng.normal(0.0, self.plan.dial.sag_error_um))
        outside = row.surface == Station.Surface.OUTSIDE
        setup = dial.Setup(outside, row.view == Station.View.DOMER, true_droop, row.resolution_um)
        exact = dial.rim(offset, 1000.0 * self.plan.dial.bore_radius_mm, setup, angles)
        return Turned(row, exact + dial.lobes(self.rng, self.plan.dial, angles))

    def _face(self, station: Station, stage: str, seen: Floats) -> Turned:
        row = self._row(station, stage, "", Sweep.Kind.FACE)
        row.sag_um, row.sag_uncertainty_um, row.face_radius_mm = 0.0, 0.0, station.face_radius_mm
        angles = np.array(clock.angles(row.positions))
        setup = dial.Setup(False, row.view == Station.View.DOMER, 0.0, row.resolution_um)
        return Turned(row, dial.face(seen[2:], float(station.face_radius_mm or 0.0), setup, angles))

    def _row(self, station: Station, stage: str, seat: str, kind: str) -> Sweep:
        machine, nose = self.site.machine, self.site.nose_z_mm(station, self.plan.dial.ram_beyond_mm)
        travel = float(machine.stroke_mm or 0.0) - (float(machine.overhang_mm or 0.0) - nose)
        return Sweep(
            visit=self.visit,
            station=station,
            stage=stage,
            seat=seat,
            kind=kind,
            positions=8 if station.kind in MANY_POSITIONS else 4,
            unit=self.by.unit,
            surface=station.surface,
            carrier=station.carrier,
            view=station.view,
            facing=Sweep.Facing.CRANK if kind == Sweep.Kind.FACE else "",
            set_up_from=Sweep.SetUpFrom.PERSON,
            indicator=f"Dial {1 + self.by.pk % 3}",
            resolution_um=STEP[self.unit][0],
            sag_um=6.0,
            sag_uncertainty_um=1.0,
            ram_position_mm=round(max(travel, 0.0)),
        )

    def _read(self, one: Turned, repeat: int) -> None:
        step_um, step, decimals = STEP[self.unit]
        steps = dial.read(self.rng, self.plan.dial, one.exact, step_um)
        angles = clock.angles(one.row.positions)
        for number, (angle, count) in enumerate(zip((*angles, angles[0]), steps.tolist(), strict=True)):
            self.pass_time(SECONDS_A_READING / 60.0)
            text = f"{count * step:.{decimals}f}"
            one.readings.append(
                Reading(
                    sweep=one.row,
                    repeat=repeat,
                    angle_deg=angle,
                    is_return=number == len(angles),
                    value_um=to_um(float(text), self.unit),
                    typed=text,
                    unit=self.by.unit,
                    by=self.by,
                    at=self.at,
                )
            )

    def _compute(self, station: Station, stage: str, turned: list[Turned]) -> StationOutcome:
        """Work it out as the entry screen does; what the program wants read again was looked at and confirmed."""

        def work() -> StationOutcome:
            swept = [(one.row, one.readings) for one in turned]
            return compute_swept(station=station, stage=stage, plant=self.plant, swept=swept, unit=self.unit)

        found = work()
        outcomes = [*found.seats.values(), *([found.face] if found.face else [])]
        odd = [outcome.row for outcome in outcomes if outcome.row is not None and outcome.read_again]
        for row in odd:
            row.odd_accepted = True
        return work() if odd else found
