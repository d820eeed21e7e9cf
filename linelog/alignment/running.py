"""What a static value is expected to be when the machine runs: from pairs where there are enough, else from the beam.

A two-seat station has one learned difference, for its middle; how the ram hangs differently at its two seats is left
to the beam. The slope of a component changes by the ram's own slope there: pairs teach nothing of it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from linelog.alignment.computing import Outcome, StationOutcome
from linelog.alignment.hanging import nose_for, record_of
from linelog.alignment.models import Sweep
from linelog.alignment.pairs import FoundPair, floor_um, pairs_of
from linelog.alignment.standing import Value
from linelog.calc.errors import CalcError
from linelog.calc.face import slope_from_tilt
from linelog.calc.reconcile import FEWEST_PAIRS, BeamModel, Learned, Pair, Shift, learn, shift_when_running
from linelog.calc.uncertainty import Part, Planar, planar
from linelog.calc.verdict import judge
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Machine, Station
from linelog.plant.ram import HangingRam, Seen, seen_at

Travels = dict[tuple[int, int, str, str], float | None]  # ram position typed, by visit, station, stage and seat


def travels_of(visits: Iterable[int]) -> Travels:
    """Read the ram positions typed in some visits."""
    rows = Sweep.objects.filter(visit__in=list(visits), kind=Sweep.Kind.RIM, ram_position_mm__isnull=False)
    columns = rows.order_by("pk").values_list("visit_id", "station_id", "stage", "seat", "ram_position_mm")
    return {(visit, station, stage, seat): mm for visit, station, stage, seat, mm in columns}


ON_BAR = Shift(
    0.0,
    0.0,
    Part("no droop on the bar", 0.0, 0.0),
    False,
    "Swept from the bar in the cradle, which has no ram droop: 3 pairs of its own are needed to learn more.",
)


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What is known of a machine's running values: its ram, pairs by station, and whether moves are for them."""

    hanging: HangingRam | None = None
    pairs: dict[int, tuple[FoundPair, ...]] = field(default_factory=dict)
    moves_for_running: bool = False
    bar_pairs: dict[int, tuple[FoundPair, ...]] = field(default_factory=dict)  # read where a bar was swept from

    def learned(self, station: Station, at: dt.datetime) -> Learned | None:
        """Return what the pairs of a station up to a moment teach of that moment; None with fewer than 3."""
        return _learned_at(self.pairs.get(station.pk, ()), at)

    def learned_on_bar(self, station: Station, at: dt.datetime) -> Learned | None:
        """Return what the pairs of sweeps from the bar teach of a moment; None with fewer than 3."""
        if station.pk not in self.bar_pairs:
            self.bar_pairs[station.pk] = pairs_of([station], bar=True).get(station.pk, ())
        return _learned_at(self.bar_pairs[station.pk], at)

    def seen(self, z_mm: float, travel_mm: float | None) -> Seen | None:
        """Return the ram's line at z as a reading there saw it; None where no beam says so."""
        if self.hanging is None:
            return None
        try:
            return seen_at(self.hanging, nose_for(self.hanging, z_mm, travel_mm), z_mm)
        except CalcError:
            return None


def _learned_at(pairs: Sequence[FoundPair], at: dt.datetime) -> Learned | None:
    found = [one for one in pairs if one.pair.running.when <= at]
    if len(found) < FEWEST_PAIRS:
        return None
    newest = found[-1].pair.running.when
    # By whole days, so that one day's pages share the fit.
    day = newest + dt.timedelta(days=max((at - newest).days, 0))
    return _learned(tuple(one.pair for one in found), day, floor_um(found))


@lru_cache(maxsize=2048)
def _learned(pairs: tuple[Pair, ...], at: dt.datetime, floor: float) -> Learned | None:
    return learn(pairs, at=at, floor_um=floor)


def knowledge_of(machine: Machine, stations: Sequence[Station]) -> Knowledge:
    """Read what is known of the running values of some stations, in two to four queries."""
    return Knowledge(record_of(machine).hanging, pairs_of(stations), machine.moves_for_running)


def shift_for(
    knowledge: Knowledge,
    station: Station,
    seat: str,
    travel_mm: float | None,
    at: dt.datetime,
    carrier: str = Station.Carrier.RAM,
) -> Shift | None:
    """Return what a static value at a seat changes by when the machine runs; None where nothing is known.

    The bar in the cradle does not hang as the ram does: no droop, and its own pairs.
    """
    if carrier == Station.Carrier.BAR:
        return shift_when_running(knowledge.learned_on_bar(station, at), None) or ON_BAR
    seen = knowledge.seen(station.seat_z_mm(seat), travel_mm)
    middle = knowledge.seen(reference_z_mm(station), travel_mm)
    beside = seen.deflection_um - middle.deflection_um if seen and middle else 0.0
    beam = BeamModel(seen.deflection_um, seen.u_um) if seen else None
    return shift_when_running(knowledge.learned(station, at), beam, beside_um=beside)


@dataclass(frozen=True, slots=True)
class Running:
    """A station as it is expected when running: the static outcome with every value moved and judged anew."""

    found: StationOutcome
    sentence: str


def as_running(found: StationOutcome, knowledge: Knowledge, at: dt.datetime) -> Running | None:
    """Return the station as it is expected when running; None before a value is there, or where nothing is known."""
    if found.station.is_bushing:
        return None
    seats, sentence = {}, ""
    for seat, outcome in found.seats.items():
        travel = outcome.row.ram_position_mm if outcome.row else None
        carrier = outcome.row.carrier if outcome.row else Station.Carrier.RAM
        shift = shift_for(knowledge, found.station, seat, travel, at, carrier) if outcome.value else None
        sentence = shift.sentence if shift else sentence
        seats[seat] = _moved(outcome, shift, found.station.limit_um)
    if not sentence:
        return None
    tilt = _tilted(found, knowledge)
    limit = found.station.tilt_limit_mm_per_m
    judged = judge(tilt.size, tilt.radial.U, limit) if tilt and limit and found.tilt_judged else None
    return Running(replace(found, seats=seats, tilt=tilt, tilt_judged=judged), sentence)


def as_ran(found: StationOutcome, ran: Value) -> StationOutcome:
    """Return the station as it was measured running: every seat moved as the middle is.

    found  the station as it is expected when running, whose tilt and seats it keeps; as swept where nothing is known
    """
    values = [outcome.value for outcome in found.seats.values() if outcome.value]
    x, y = (sum(parts) / len(values) for parts in ([v.x for v in values], [v.y for v in values]))
    part = Part("the running value", ran.u_x_um**2, ran.u_y_um**2)
    seats = {}
    for seat, outcome in found.seats.items():
        own = outcome.value
        moved = planar(ran.x_um + own.x - x, ran.y_um + own.y - y, (part,)) if own else None
        judged = judge(moved.size, moved.radial.U, ran.limit_um) if moved else None
        seats[seat] = replace(outcome, value=moved, judged=judged)
    return replace(found, seats=seats)


def running_found(found: StationOutcome, expected: Running | None, ran: Value | None) -> StationOutcome | None:
    """Return the station as it runs: as it was measured running, else as expected; None where nothing is known."""
    if ran is not None and all(outcome.value for outcome in found.seats.values()):
        return as_ran(expected.found if expected else found, ran)
    return expected.found if expected else None


def _moved(outcome: Outcome, shift: Shift | None, limit_um: float) -> Outcome:
    if shift is None or outcome.value is None:
        return outcome
    # From the figures that are kept of it, so that the entry screen and every later page say the same.
    across, up = outcome.value.across, outcome.value.up
    kept = Part("the static value", (across.U / across.k) ** 2, (up.U / up.k) ** 2)
    value = shift.applied(planar(outcome.value.x, outcome.value.y, (kept,)))
    # A verdict that is withheld stays so: the running value rests on the same readings.
    judged = outcome.judged and judge(value.size, value.radial.U + outcome.doubt, limit_um)
    return replace(outcome, value=value, tir_um=2.0 * value.size, judged=judged)


def _tilted(found: StationOutcome, knowledge: Knowledge) -> Planar | None:
    """Return the tilt expected when running."""
    if found.tilt is None:
        return None
    swept = [outcome for outcome in (found.face, *found.seats.values()) if outcome and outcome.value]
    row = next((outcome.row for outcome in swept if outcome.row), None)
    travel, carrier = (row.ram_position_mm, row.carrier) if row else (None, Station.Carrier.RAM)
    return _tilt_moved(knowledge, found.station, (found.tilt.x, found.tilt.y), found.tilt.radial.U, travel, carrier)


def tilt_when_running(knowledge: Knowledge, station: Station, value: Value, travel_mm: float | None) -> Planar | None:
    """Return what a stored static tilt is expected to be when running, mm/m; None where none was measured."""
    x, y, expanded = value.tilt_x_mm_per_m, value.tilt_y_mm_per_m, value.tilt_expanded_mm_per_m
    if x is None or y is None or expanded is None:
        return None
    return _tilt_moved(knowledge, station, (x, y), expanded, travel_mm, value.carrier)


def _tilt_moved(
    knowledge: Knowledge,
    station: Station,
    tilt: tuple[float, float],
    expanded: float,
    travel_mm: float | None,
    carrier: str,
) -> Planar:
    """Take the slope of the hanging ram out of a tilt, where a ram is on record and carried the dial."""
    own = Part("the static tilt", (expanded / 2.0) ** 2, (expanded / 2.0) ** 2)
    seen = None if carrier == Station.Carrier.BAR else knowledge.seen(reference_z_mm(station), travel_mm)
    if seen is None:
        return planar(*tilt, (own,))
    _, more = slope_from_tilt(0.0, seen.slope_mm_per_m)
    part = Part("slope of the ram", 0.0, seen.u_slope_mm_per_m**2)
    return planar(tilt[0], tilt[1] + more, (own, part))
