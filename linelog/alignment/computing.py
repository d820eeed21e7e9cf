"""From the readings of a station, as stored, to what they mean. Reads rows, calls `calc`, writes nothing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from linelog.alignment import clock
from linelog.alignment.models import Reading, Sweep
from linelog.calc import face, seats, sweep, verdict
from linelog.calc.errors import CalcError
from linelog.calc.quality import ReadAgain
from linelog.calc.uncertainty import Planar, planar
from linelog.calc.units import Unit
from linelog.calc.verdict import Judged, Verdict
from linelog.plant.models import Plant, Station

WORST_FIRST = (Verdict.OUT, Verdict.NOT_PROVEN, Verdict.IN)


@dataclass(frozen=True, slots=True)
class Turn:
    """One repeat of a sweep as far as it is typed."""

    sweep: sweep.Sweep | None
    missing_deg: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one sweep (rim or face) came to. Lengths in um, tilt in mm/m.

    `value` is None until there are readings enough; `problem` then says what is wrong, where something is.
    """

    row: Sweep | None
    readings: int = 0
    missing_deg: tuple[float, ...] = ()
    left_out: tuple[str, ...] = ()
    value: Planar | None = None
    tir_um: float | None = None
    quality: sweep.Quality | None = None
    judged: Judged | None = None
    read_again: tuple[ReadAgain, ...] = ()
    problem: str = ""
    rim: sweep.SweepResult | None = None

    @property
    def trusted(self) -> bool:
        """Whether a move may rest on it: whole, and either sound or confirmed by the person."""
        accepted = self.row is not None and self.row.odd_accepted
        return self.value is not None and (accepted or not (self.missing_deg or self.read_again))


@dataclass(frozen=True, slots=True)
class StationOutcome:
    """A station at one stage: its seats in order, its face, the tilt from either, and the overall verdict."""

    station: Station
    stage: str
    seats: dict[str, Outcome] = field(default_factory=dict)
    face: Outcome | None = None
    tilt: Planar | None = None
    tilt_judged: Judged | None = None

    @property
    def judged(self) -> Judged | None:
        """The worst of what was judged, or None before anything could be."""
        found = [outcome.judged for outcome in self.seats.values()] + [self.tilt_judged]
        known = [judged for judged in found if judged is not None]
        return min(known, key=lambda j: (WORST_FIRST.index(j.verdict), -j.severity), default=None)

    @property
    def complete(self) -> bool:
        """Whether every seat gives a trusted value."""
        return all(outcome.trusted for outcome in self.seats.values())


def _turns(row: Sweep, readings: Iterable[Reading]) -> list[Turn]:
    by_repeat: dict[int, dict[tuple[float, bool], float]] = defaultdict(dict)
    for reading in readings:
        by_repeat[reading.repeat][(reading.angle_deg, reading.is_return)] = reading.value_um
    places = clock.angles(row.positions)
    turns = []
    for repeat in sorted(by_repeat):
        typed = by_repeat[repeat]
        there = tuple(angle for angle in places if (angle, False) in typed)
        missing = tuple(angle for angle in places if (angle, False) not in typed)
        one = None
        if len(there) >= sweep_minimum():
            back = typed.get((places[0], True)) if there[0] == places[0] else None
            one = sweep.Sweep(there, tuple(typed[angle, False] for angle in there), back)
        turns.append(Turn(one, missing))
    return turns


def sweep_minimum() -> int:
    """Return the fewest positions a sweep is worked out from."""
    return 3


def _usable(turns: Sequence[Turn]) -> tuple[list[sweep.Sweep], tuple[float, ...], tuple[str, ...]]:
    """Choose the repeats to work from: all whole ones, else the first that has three positions."""
    whole = [turn.sweep for turn in turns if turn.sweep is not None and not turn.missing_deg]
    left_out = tuple(
        f"Repeat {number} is not used yet: {clock.words(turn.missing_deg)} still to read."
        for number, turn in enumerate(turns, start=1)
        if turn.missing_deg and (whole or number > 1)
    )
    if whole:
        return whole, (), left_out
    partial = next((turn for turn in turns if turn.sweep is not None), None)
    if partial is None or partial.sweep is None:
        return [], turns[0].missing_deg if turns else (), left_out
    return [partial.sweep], partial.missing_deg, left_out


def rim_setup(row: Sweep, plant: Plant) -> sweep.SweepSetup:
    """Return how a rim sweep was made, as `calc` takes it."""
    return sweep.SweepSetup(
        surface=sweep.Surface(row.surface),
        carrier=sweep.Carrier(row.carrier),
        view=sweep.View(row.view),
        plunger_reversed=row.plunger_reversed,
        resolution_um=row.resolution_um,
        sag_indicated_um=row.sag_um,
        u_sag_um=row.sag_uncertainty_um,
        u_shaft_um=plant.shaft_uncertainty_um,
        usual_sd_um=plant.usual_scatter_um,
    )


def _rim(row: Sweep, plant: Plant, sweeps: Sequence[sweep.Sweep]) -> sweep.SweepResult:
    return sweep.reduce_sweep(rim_setup(row, plant), sweeps)


def _face(row: Sweep, plant: Plant, sweeps: Sequence[sweep.Sweep]) -> face.FaceResult:
    setup = face.FaceSetup(
        view=sweep.View(row.view),
        plunger_reversed=row.plunger_reversed,
        resolution_um=row.resolution_um,
        sag_at_six_um=row.sag_um,
        u_sag_um=row.sag_uncertainty_um,
        usual_sd_um=plant.usual_scatter_um,
    )
    return face.reduce_face(setup, row.face_radius_mm or 0.0, sweeps)


def outcome(row: Sweep | None, readings: Sequence[Reading], plant: Plant, limit: float | None, unit: Unit) -> Outcome:
    """Work out one sweep; what cannot be worked out says why in `problem`, and nothing is raised."""
    if row is None or not readings:
        return Outcome(row)
    try:
        sweeps, missing, left_out = _usable(_turns(row, readings))
        if not sweeps:
            return Outcome(row, len(readings), missing, left_out)
        is_rim = row.kind == Sweep.Kind.RIM
        result = _rim(row, plant, sweeps) if is_rim else _face(row, plant, sweeps)
        value = result.offset if isinstance(result, sweep.SweepResult) else result.tilt
        judged = verdict.judge(value.size, value.radial.U, limit) if limit else None
        # A sweep still being typed is no reason to read it again.
        limits = plant.closure_limit_um, plant.return_limit_um
        again = () if missing else sweep.check_sweep(result, *limits, unit=unit)
    except CalcError as error:
        return Outcome(row, len(readings), problem=error.message)
    return Outcome(
        row,
        len(readings),
        missing,
        left_out,
        value,
        result.tir_um,
        result.quality,
        judged,
        again,
        rim=result if isinstance(result, sweep.SweepResult) else None,
    )


def _seat_tilt(station: Station, found: dict[str, Outcome]) -> Planar | None:
    """Return the tilt (as of a face square to the axis through both seats), or None."""
    front, rear = found.get("front"), found.get("rear")
    if not (front and rear and front.rim and rear.rim and station.rear_z_mm is not None):
        return None
    slope = seats.axis_from_seats(front.rim, rear.rim, station.z_mm, station.rear_z_mm).slope
    return planar(*face.slope_from_tilt(slope.x, slope.y), slope.budget)


Swept = tuple[Sweep, Sequence[Reading]]


def compute(
    *, station: Station, stage: str, plant: Plant, rows: Iterable[Sweep], unit: Unit = Unit.MM
) -> StationOutcome:
    """Work out a station at one stage from its sweeps (with their readings prefetched)."""
    mine = [(row, list(row.readings.all())) for row in rows if row.station_id == station.pk and row.stage == stage]
    return compute_swept(station=station, stage=stage, plant=plant, swept=mine, unit=unit)


def compute_swept(
    *, station: Station, stage: str, plant: Plant, swept: Iterable[Swept], unit: Unit = Unit.MM
) -> StationOutcome:
    """Work out a station at one stage from sweeps of it with their readings, which need not be stored yet."""
    mine: dict[tuple[str, str], Swept] = {(row.seat, row.kind): (row, readings) for row, readings in swept}

    def worked(seat: str, kind: str, limit_of_it: float | None) -> Outcome:
        row, readings = mine.get((seat, kind), (None, ()))
        return outcome(row, readings, plant, limit_of_it, unit)

    limit = station.tilt_limit_mm_per_m
    if station.is_bushing:  # worked out to be read, never judged: the dial sinks with the bushing it rides in
        return StationOutcome(station, stage, {seat: worked(seat, Sweep.Kind.RIM, None) for seat in station.seats})
    found = {seat: worked(seat, Sweep.Kind.RIM, station.limit_um) for seat in station.seats}
    of_face = worked("", Sweep.Kind.FACE, limit)
    tilt = of_face.value or _seat_tilt(station, found)
    tilt_judged = verdict.judge(tilt.size, tilt.radial.U, limit) if tilt and limit else None
    return StationOutcome(station, stage, found, of_face, tilt, tilt_judged)
