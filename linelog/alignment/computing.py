"""From the readings of a station, as stored, to what they mean. Reads rows, calls `calc`, writes nothing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial

from linelog.alignment import clock
from linelog.alignment.inched import powered_between
from linelog.alignment.lobes import usual_lobes
from linelog.alignment.models import BarSetup, Lockout, Reading, Sweep
from linelog.alignment.since_move import Swept, since_last_move
from linelog.calc import face, seats, sweep, verdict
from linelog.calc.dial import Dial
from linelog.calc.doubt import too_coarse
from linelog.calc.errors import CalcError
from linelog.calc.lobes import NO_LOBES, UsualLobes
from linelog.calc.quality import QualityLimits, ReadAgain, limits_in_effect
from linelog.calc.suspect import Suspect, find_suspect
from linelog.calc.uncertainty import Planar, planar
from linelog.calc.units import Unit
from linelog.calc.verdict import Judged, Verdict
from linelog.plant.models import Plant, Station

WHICH_FACE = "Say in the set-up above the clock which way the face looks that was swept: it decides the sign."
POWERED = "powered"  # why a sweep is to be read again, beside those of `calc.quality`
WORST_FIRST = (Verdict.OUT, Verdict.NOT_PROVEN, Verdict.IN)


@dataclass(frozen=True, slots=True)
class Turn:
    """One repeat of a sweep as far as it is typed."""

    number: int
    sweep: sweep.Sweep | None
    missing_deg: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one sweep (rim or face) came to. Lengths in um, tilt in mm/m.

    `value` is None until there are readings enough; `problem` then says what is wrong, where something is.
    limits    closure and return that this sweep was held to; `suspect` the reading that would explain `read_again`
    coarse    two steps of the dial exceed the limit: nothing within one step of it (`doubt`) is proven
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
    limits: QualityLimits | None = None
    suspect: Suspect | None = None
    coarse: bool = False
    doubt: float = 0.0

    @property
    def powered_between(self) -> bool:
        """Whether the machine was powered in the middle of a sweep that counts."""
        return any(again.code == POWERED for again in self.read_again)

    @property
    def withheld(self) -> bool:
        """Whether the verdict is withheld: it is to be read again, and nobody confirmed that it is right."""
        accepted = self.row is not None and self.row.odd_accepted
        return bool(self.read_again) and not accepted

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
    def withheld(self) -> bool:
        """Whether some of its readings are to be read again, and nobody confirmed that they are right."""
        return any(outcome.withheld for outcome in (*self.seats.values(), self.face) if outcome is not None)

    @property
    def judged(self) -> Judged | None:
        """The worst of what was judged; None before anything could be, and while the verdict is withheld.

        What is out by other readings than the doubtful ones stays out.
        """
        found = [outcome.judged for outcome in self.seats.values()] + [self.tilt_judged]
        known = [judged for judged in found if judged is not None]
        worst = min(known, key=lambda j: (WORST_FIRST.index(j.verdict), -j.severity), default=None)
        return None if self.withheld and worst and worst.verdict is not Verdict.OUT else worst

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
        turns.append(Turn(repeat, one, missing))
    return turns


def sweep_minimum() -> int:
    """Return the fewest positions a sweep is worked out from."""
    return 3


def _usable(turns: Sequence[Turn]) -> tuple[list[Turn], tuple[float, ...], tuple[str, ...]]:
    """Choose the repeats to work from: all whole ones, else the first that has three positions."""
    whole = [turn for turn in turns if turn.sweep is not None and not turn.missing_deg]
    left_out = tuple(
        f"Repeat {turn.number} is not used yet: {clock.words(turn.missing_deg)} still to read."
        for place, turn in enumerate(turns)
        if turn.missing_deg and (whole or place > 0)
    )
    if whole:
        return whole, (), left_out
    partial = next((turn for turn in turns if turn.sweep is not None), None)
    if partial is None or partial.sweep is None:
        return [], turns[0].missing_deg if turns else (), left_out
    return [partial], partial.missing_deg, left_out


def rim_setup(row: Sweep, plant: Plant, lobes: UsualLobes = NO_LOBES) -> sweep.SweepSetup:
    """Return how a rim sweep was made, as `calc` takes it; `lobes` matter where positions are missing."""
    sag_um, u_sag_um, centring_um = row.sag_um, row.sag_uncertainty_um, plant.shaft_uncertainty_um
    if row.carrier == Station.Carrier.BAR:
        bar = BarSetup.objects.filter(visit=row.visit_id).first()
        if bar is None:
            raise CalcError(
                "How the bar is set up in the cradle is not logged yet: its sag and centring.", field="bar"
            )
        sag_um, u_sag_um, centring_um = bar.sag_um, bar.sag_uncertainty_um, bar.centring_um / 2.0
    return sweep.SweepSetup(
        surface=sweep.Surface(row.surface),
        carrier=sweep.Carrier(row.carrier),
        view=sweep.View(row.view),
        plunger_reversed=row.plunger_reversed,
        resolution_um=row.resolution_um,
        sag_indicated_um=sag_um,
        u_sag_um=u_sag_um,
        u_shaft_um=centring_um,
        usual_sd_um=plant.usual_scatter_um,
        lobes=lobes,
    )


def _face_setup(row: Sweep, plant: Plant, lobes: UsualLobes) -> face.FaceSetup:
    return face.FaceSetup(
        facing=face.Facing(row.facing),
        view=sweep.View(row.view),
        plunger_reversed=row.plunger_reversed,
        resolution_um=row.resolution_um,
        sag_at_six_um=row.sag_um,
        u_sag_um=row.sag_uncertainty_um,
        usual_sd_um=plant.usual_scatter_um,
        lobes=lobes,
    )


def _no_lobes() -> UsualLobes:
    return NO_LOBES


def outcome(
    row: Sweep | None,
    readings: Sequence[Reading],
    plant: Plant,
    limit: float | None,
    unit: Unit,
    lobes: Callable[[], UsualLobes] = _no_lobes,
    lockouts: Collection[Lockout] = (),
) -> Outcome:
    """Work out one sweep; what cannot be worked out says why in `problem`, and nothing is raised.

    `lobes` gives the usual out-of-round; it is asked only where positions are missing.
    """
    if row is None or not readings:
        return Outcome(row)
    if row.kind == Sweep.Kind.FACE and not row.facing:
        return Outcome(row, len(readings), problem=WHICH_FACE)
    try:
        turns, missing, left_out = _usable(_turns(row, readings))
        if not turns:
            return Outcome(row, len(readings), missing, left_out)
        worked = _work(row, plant, turns, lobes() if missing else NO_LOBES)
        whole = Outcome(row, len(readings), missing, left_out)
        # A sweep still being typed is no reason to read it again.
        found = whole if missing else _checked(whole, worked, plant, unit, Unit(readings[0].unit))
        powered = _powered(turns, readings, lockouts)
        return _judged(replace(found, read_again=(*found.read_again, *powered)), worked, limit)
    except CalcError as error:
        return Outcome(row, len(readings), problem=error.message)


def _powered(
    turns: Sequence[Turn], readings: Sequence[Reading], lockouts: Collection[Lockout]
) -> tuple[ReadAgain, ...]:
    """Say of each repeat in the middle of which the machine was powered that it is to be read again."""
    repeats = ([one for one in readings if one.repeat == turn.number] for turn in turns)
    said = (powered_between(mine, lockouts) for mine in repeats)
    return tuple(ReadAgain(POWERED, sentence, "", 0.0, 0.0) for sentence in said if sentence)


@dataclass(frozen=True, slots=True)
class _Worked:
    """What `calc` makes of a sweep; `per_um` turns a step of the dial into the unit of the value.

    numbers  which repeats its `sweeps` are, as the person counts them
    """

    result: sweep.SweepResult | face.FaceResult
    value: Planar
    sweeps: Sequence[sweep.Sweep]
    dial: Dial
    sag_at_six_um: float
    per_um: float
    numbers: tuple[int, ...]


def _work(row: Sweep, plant: Plant, turns: Sequence[Turn], lobes: UsualLobes) -> _Worked:
    sweeps = [turn.sweep for turn in turns if turn.sweep is not None]
    numbers = tuple(turn.number for turn in turns)
    if row.kind == Sweep.Kind.RIM:
        setup = rim_setup(row, plant, lobes)
        rim = sweep.reduce_sweep(setup, sweeps)
        return _Worked(rim, rim.offset, sweeps, setup.dial, setup.sag_at_six_um, 1.0, numbers)
    flat, radius_mm = _face_setup(row, plant, lobes), row.face_radius_mm or 0.0
    of_face = face.reduce_face(flat, radius_mm, sweeps)
    return _Worked(of_face, of_face.tilt, sweeps, flat.dial, flat.sag_at_six_um, 1.0 / radius_mm, numbers)


def _checked(found: Outcome, worked: _Worked, plant: Plant, unit: Unit, typed_in: Unit) -> Outcome:
    """Say whether it is to be read again, by which limits, and which reading would explain it."""
    limits = plant.closure_limit_um, plant.return_limit_um
    again = sweep.check_sweep(worked.result, *limits, unit=unit)
    suspect = find_suspect(worked.dial, worked.sweeps, worked.sag_at_six_um, again, typed_in) if again else None
    if suspect is not None:
        suspect = replace(suspect, repeat=worked.numbers[suspect.repeat - 1])
    return replace(found, read_again=again, suspect=suspect, limits=limits_in_effect(worked.result.quality, *limits))


def _judged(found: Outcome, worked: _Worked, limit: float | None) -> Outcome:
    """Add the value, and its verdict unless that is withheld."""
    value, step = worked.value, worked.dial.resolution_um * worked.per_um
    coarse = limit is not None and too_coarse(step, limit)
    doubt = step if coarse else 0.0
    judged = verdict.judge(value.size, value.radial.U + doubt, limit) if limit and not found.withheld else None
    return replace(
        found,
        value=value,
        tir_um=worked.result.tir_um,
        quality=worked.result.quality,
        judged=judged,
        rim=worked.result if isinstance(worked.result, sweep.SweepResult) else None,
        coarse=coarse,
        doubt=doubt,
    )


def _seat_tilt(station: Station, found: dict[str, Outcome]) -> Planar | None:
    """Return the tilt (as of a face square to the axis through both seats), or None."""
    front, rear = found.get("front"), found.get("rear")
    if not (front and rear and front.rim and rear.rim and station.rear_z_mm is not None):
        return None
    slope = seats.axis_from_seats(front.rim, rear.rim, station.z_mm, station.rear_z_mm).slope
    return planar(*face.slope_from_tilt(slope.x, slope.y), slope.budget)


def compute(
    *,
    station: Station,
    stage: str,
    plant: Plant,
    rows: Iterable[Sweep],
    unit: Unit = Unit.MM,
    moved_at: Collection[datetime] = (),
    lockouts: Collection[Lockout] = (),
) -> StationOutcome:
    """Work out a station at one stage from its sweeps (with their readings prefetched)."""
    mine = [(row, list(row.readings.all())) for row in rows if row.station_id == station.pk and row.stage == stage]
    return compute_swept(
        station=station, stage=stage, plant=plant, swept=mine, unit=unit, moved_at=moved_at, lockouts=lockouts
    )


def compute_swept(
    *,
    station: Station,
    stage: str,
    plant: Plant,
    swept: Iterable[Swept],
    unit: Unit = Unit.MM,
    moved_at: Collection[datetime] = (),
    lockouts: Collection[Lockout] = (),
) -> StationOutcome:
    """Work out a station at one stage from sweeps of it with their readings, which need not be stored yet.

    moved_at  when moves of it were logged in this visit: readings as left from before one do not count after it
    lockouts  those of the visit: a machine powered in the middle of a sweep makes it one to read again
    """
    counted = since_last_move(swept, stage, moved_at)
    mine: dict[tuple[str, str], Swept] = {(row.seat, row.kind): (row, readings) for row, readings in counted}

    def worked(seat: str, kind: str, limit_of_it: float | None) -> Outcome:
        row, readings = mine.get((seat, kind), (None, ()))
        lobes = partial(usual_lobes, station.machine_id if kind == Sweep.Kind.RIM else None, plant)
        return outcome(row, readings, plant, limit_of_it, unit, lobes, lockouts)

    limit = station.tilt_limit_mm_per_m
    if station.is_bushing:  # worked out to be read, never judged: the dial sinks with the bushing it rides in
        return StationOutcome(station, stage, {seat: worked(seat, Sweep.Kind.RIM, None) for seat in station.seats})
    found = {seat: worked(seat, Sweep.Kind.RIM, station.limit_um) for seat in station.seats}
    of_face = worked("", Sweep.Kind.FACE, limit)
    tilt = of_face.value or _seat_tilt(station, found)
    return StationOutcome(station, stage, found, of_face, tilt, _tilt_judged(tilt, limit, found, of_face))


def _tilt_judged(
    tilt: Planar | None, limit: float | None, found: dict[str, Outcome], of_face: Outcome
) -> Judged | None:
    """Judge the tilt of the face where it was swept, else of the seats; None while that is withheld."""
    if tilt is None or limit is None:
        return None
    if of_face.value is not None:
        return of_face.judged
    withheld = any(outcome.withheld for outcome in found.values())
    return None if withheld else verdict.judge(tilt.size, tilt.radial.U, limit)
