"""What a static value is expected to be when the machine runs: from pairs where there are enough, else from the beam.

A two-seat station has one learned difference, for its middle; how the ram hangs differently at its two seats is left
to the beam. The slope of a component changes by the ram's own slope there: pairs teach nothing of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from linelog.alignment.computing import Outcome, StationOutcome
from linelog.alignment.hanging import nose_for, record_of
from linelog.alignment.models import Result, Stage
from linelog.alignment.pairs import FoundPair, floor_um, pairs_of
from linelog.calc.errors import CalcError
from linelog.calc.face import slope_from_tilt
from linelog.calc.reconcile import BeamModel, Learned, Shift, learn, shift_when_running
from linelog.calc.uncertainty import Part, Planar, planar
from linelog.calc.verdict import Judged, judge
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Machine, Station
from linelog.plant.ram import HangingRam, Seen, seen_at

Travels = dict[tuple[int, str, str], float | None]  # ram position typed, by station, stage and seat


ON_BAR = Shift(
    0.0,
    0.0,
    Part("no droop on the bar", 0.0, 0.0),
    False,
    "Swept from the bar in the cradle, which has no ram droop: 3 pairs of its own are needed to learn more.",
)


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What is known of a machine's running values: its ram, and pairs by station."""

    hanging: HangingRam | None = None
    pairs: dict[int, tuple[FoundPair, ...]] = field(default_factory=dict)

    def learned(self, station: Station) -> Learned | None:
        """Return what the pairs of a station teach; None with fewer than 3."""
        found = self.pairs.get(station.pk, ())
        return learn([one.pair for one in found], floor_um=floor_um(found))

    @staticmethod
    def learned_on_bar(station: Station) -> Learned | None:
        """Return what the pairs of sweeps from the bar teach; None with fewer than 3."""
        found = pairs_of([station], bar=True).get(station.pk, ())
        return learn([one.pair for one in found], floor_um=floor_um(found))

    def seen(self, z_mm: float, travel_mm: float | None) -> Seen | None:
        """Return the ram's line at z as a reading there saw it; None where no beam says so."""
        if self.hanging is None:
            return None
        try:
            return seen_at(self.hanging, nose_for(self.hanging, z_mm, travel_mm), z_mm)
        except CalcError:
            return None


def knowledge_of(machine: Machine, stations: Sequence[Station]) -> Knowledge:
    """Read what is known of the running values of some stations, in two to four queries."""
    return Knowledge(record_of(machine).hanging, pairs_of(stations))


def shift_for(
    knowledge: Knowledge, station: Station, seat: str, travel_mm: float | None, carrier: str = Station.Carrier.RAM
) -> Shift | None:
    """Return what a static value at a seat changes by when the machine runs; None where nothing is known.

    The bar in the cradle does not hang as the ram does: no droop, and its own pairs.
    """
    if carrier == Station.Carrier.BAR:
        return shift_when_running(knowledge.learned_on_bar(station), None) or ON_BAR
    seen = knowledge.seen(station.seat_z_mm(seat), travel_mm)
    middle = knowledge.seen(reference_z_mm(station), travel_mm)
    beside = seen.deflection_um - middle.deflection_um if seen and middle else 0.0
    beam = BeamModel(seen.deflection_um, seen.u_um) if seen else None
    return shift_when_running(knowledge.learned(station), beam, beside_um=beside)


@dataclass(frozen=True, slots=True)
class Running:
    """A station as it is expected when running: the static outcome with every value moved and judged anew."""

    found: StationOutcome
    sentence: str


def as_running(found: StationOutcome, knowledge: Knowledge) -> Running | None:
    """Return the station as it is expected when running; None before a value is there, or where nothing is known."""
    seats, sentence = {}, ""
    for seat, outcome in found.seats.items():
        travel = outcome.row.ram_position_mm if outcome.row else None
        carrier = outcome.row.carrier if outcome.row else Station.Carrier.RAM
        shift = shift_for(knowledge, found.station, seat, travel, carrier) if outcome.value else None
        sentence = shift.sentence if shift else sentence
        seats[seat] = _moved(outcome, shift, found.station.limit_um)
    if not sentence:
        return None
    tilt = _tilted(found, knowledge)
    limit = found.station.tilt_limit_mm_per_m
    judged = judge(tilt.size, tilt.radial.U, limit) if tilt and limit and found.tilt_judged else None
    return Running(replace(found, seats=seats, tilt=tilt, tilt_judged=judged), sentence)


def running_of(found: StationOutcome, machine: Machine) -> Running | None:
    """Return one station as it is expected when running; asks the database only once there is a value to move."""
    if found.station.is_bushing or not any(outcome.value for outcome in found.seats.values()):
        return None
    return as_running(found, knowledge_of(machine, [found.station]))


def _moved(outcome: Outcome, shift: Shift | None, limit_um: float) -> Outcome:
    if shift is None or outcome.value is None:
        return outcome
    value = shift.applied(outcome.value)
    # A verdict that is withheld stays so: the running value rests on the same readings.
    judged = outcome.judged and judge(value.size, value.radial.U + outcome.doubt, limit_um)
    return replace(outcome, value=value, tir_um=2.0 * value.size, judged=judged)


def _tilted(found: StationOutcome, knowledge: Knowledge) -> Planar | None:
    """Return the tilt expected when running: the ram's slope no longer shows in it."""
    swept = [outcome for outcome in (found.face, *found.seats.values()) if outcome and outcome.value]
    row = next((outcome.row for outcome in swept if outcome.row), None)
    seen = knowledge.seen(reference_z_mm(found.station), row.ram_position_mm if row else None)
    if found.tilt is None or seen is None or (row is not None and row.carrier == Station.Carrier.BAR):
        return found.tilt
    _, more = slope_from_tilt(0.0, seen.slope_mm_per_m)
    part = Part("slope of the ram", 0.0, seen.u_slope_mm_per_m**2)
    return planar(found.tilt.x, found.tilt.y + more, (*found.tilt.budget, part))


@dataclass(frozen=True, slots=True)
class Expectation:
    """A stored static result as it is expected when running, judged against the limit of its day."""

    value: Planar
    judged: Judged


def expected_of(
    knowledge: Knowledge, station: Station, results: Iterable[Result], travels: Travels
) -> Expectation | None:
    """Return the worst of what stored static results are expected to be when running; None if unknown."""
    found = []
    for result in results:
        if result.withheld:
            continue
        place = (station.pk, result.stage, result.seat)
        travel = travels.get(place, travels.get((station.pk, Stage.AS_FOUND, result.seat)))
        shift = shift_for(knowledge, station, result.seat, travel, result.carrier)
        if shift is not None:
            part = Part("the static value", result.u_x_um**2, result.u_y_um**2)
            value = shift.applied(planar(result.x_um, result.y_um, (part,)))
            found.append(Expectation(value, judge(value.size, value.radial.U, result.limit_um)))
    return max(found, key=lambda one: one.judged.severity, default=None)
