"""What a typed reading is checked, written and answered by, taken in hand once: two queries, both made ready.

Taken inside the transaction that writes, with the visit held: nothing of it can change before the reading is stored.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import connection
from django.db.models import Count, Exists, F, FilteredRelation, Max, OuterRef, Q, QuerySet, Subquery

from linelog.alignment.adjuster_state import as_moved, logged_moves
from linelog.alignment.kept_knowledge import KeptKnowledge, knowledge_at
from linelog.alignment.limits import in_force
from linelog.alignment.models import (
    Amendment,
    Lockout,
    MoveMade,
    PersonalLock,
    Reading,
    Result,
    Seat,
    StationNote,
    Sweep,
    Visit,
)
from linelog.alignment.models.sweep import Method
from linelog.alignment.queries import sweep_defaults
from linelog.alignment.since_move import moves_of
from linelog.plant.models import Adjuster, LimitRule, Line, Machine, Person, Plant, ShimThickness, Station
from linelog.web.prepared import Prepared
from linelog.web.rows import Columns, Part

NAMES = ("id", "username", "first_name", "last_name")  # of who typed a reading


@dataclass(slots=True)
class AtHand:
    """A station of a visit at one stage: its sweeps with their readings, and whatever else a reading there rests on.

    station  under the limits that hold; sweeps of this stage, each with the visit, and its readings prefetched
    stored   the seats of which a static result of this stage is stored
    moved    whether moves were logged in this visit, of the station or of a bushing
    ran      whether a running value of this stage was typed
    """

    visit: Visit
    station: Station
    stage: str
    sweeps: list[Sweep]
    lockouts: tuple[Lockout, ...]
    note: StationNote | None
    stored: frozenset[str]
    moved: bool
    ran: bool
    known: KeptKnowledge

    @property
    def plant(self) -> Plant:
        """The plant it stands in."""
        plant: Plant = self.visit.machine.line.plant
        return plant

    def sweep_of(self, seat: str, kind: str) -> Sweep:
        """Return the sweep of a seat or face; where there is none, one with the usual set-up, not stored yet."""
        there = next((one for one in self.sweeps if (one.seat, one.kind) == (seat, kind)), None)
        if there is None:
            usual = sweep_defaults(self.visit, self.station, seat, kind)
            there = _with_readings(
                Sweep(stage=self.stage, seat=seat, kind=kind, **usual), self.visit, self.station, []
            )
            self.sweeps.append(there)
        return there


VISIT, MACHINE, LINE, PLANT, STATION, NOTE, LOCKOUT, LOCK = range(8)
_VISIT = Columns(
    Part(Visit),
    Part(Machine, "machine__"),
    Part(Line, "machine__line__"),
    Part(Plant, "machine__line__plant__"),
    Part(Station, "machine__stations__"),
    Part(StationNote, "said__"),
    Part(Lockout, "lockouts__"),
    Part(PersonalLock, "lockouts__locks__"),
)
SWEEP, READING, BY = range(3)
_SWEEP = Columns(Part(Sweep), Part(Reading, "readings__"), Part(Person, "readings__by__", NAMES))


def _visit_rows(visit: int, station: int, stage: str, plant: int | None = None) -> QuerySet[Visit, tuple[Any, ...]]:
    """Return a row for each lock of each lockout of the visit, all the rest beside it; none for another plant."""
    here = {"visit": visit, "station": station}
    signed = Visit.objects.filter(machine=OuterRef("machine"), state=Visit.State.SIGNED).order_by().values("machine")
    amended = Amendment.objects.filter(station=station).order_by().values("station")
    moves = logged_moves().filter(adjuster__station=station).order_by().values("adjuster__station")
    results = Result.objects.filter(**here, stage=stage)
    rows = Visit.objects.filter(pk=visit, machine__stations=station)
    if plant is not None:
        rows = rows.filter(machine__line__plant=plant)
    return (
        rows.annotate(said=FilteredRelation("station_notes", condition=Q(station_notes__station=station)))
        .order_by("lockouts__verified_at", "lockouts__pk", "lockouts__locks__on_at", "lockouts__locks__pk")
        .values_list(
            *_VISIT.columns,
            Subquery(signed.annotate(n=Count("pk")).values("n")),
            Subquery(amended.annotate(n=Count("pk")).values("n")),
            Subquery(moves.annotate(n=Count("pk")).values("n")),
            Subquery(moves.annotate(newest=Max("pk")).values("newest")),
            Exists(
                LimitRule.objects.filter(
                    plant=OuterRef("machine__line__plant"), kind=OuterRef("machine__stations__kind")
                )
            ),
            Exists(MoveMade.objects.filter(moves_of(station), visit=visit)),
            Exists(results.filter(method=Method.RUNNING)),
            *(Exists(results.filter(method=Method.STATIC, seat=seat)) for seat in Seat.values),
        )
    )


def _sweep_rows(visit: int, station: int, stage: str) -> QuerySet[Sweep, tuple[Any, ...]]:
    rows = Sweep.objects.filter(visit=visit, station=station, stage=stage)
    return rows.order_by("pk", "readings__repeat", "readings__is_return", "readings__angle_deg").values_list(
        *_SWEEP.columns
    )


def _adjuster_rows(station: int) -> QuerySet[Adjuster]:
    """Return the adjusters in their order, each as often as there are shims for it."""
    rows = Adjuster.objects.filter(station=station).select_related("stock")
    shims = {f"shim_{name}": F(f"stock__thicknesses__{name}") for name in ("pk", "thickness_um", "pieces")}
    return rows.annotate(**shims).order_by("order", "pk", "stock__thicknesses__thickness_um")


HOLD = Prepared(
    lambda visit: Visit.objects.select_for_update().filter(pk=visit).order_by().values_list("pk"), visit=int
)
ADJUSTERS = Prepared(_adjuster_rows, station=int)
OF_ANY_PLANT = Prepared(_visit_rows, visit=int, station=int, stage=str)
OF_OWN_PLANT = Prepared(_visit_rows, visit=int, station=int, stage=str, plant=int)
SWEEPS = Prepared(_sweep_rows, visit=int, station=int, stage=str)


def take(by: Person, visit_id: int, station_id: int, stage: str) -> AtHand | None:
    """Hold a visit for this transaction and take a station of it in hand; None where it is not this person's."""
    if connection.features.has_select_for_update:  # elsewhere a transaction that writes holds everything
        HOLD.rows(visit=visit_id)
    where: dict[str, Any] = {"visit": visit_id, "station": station_id, "stage": stage}
    if by.plant_id is not None:
        rows = OF_OWN_PLANT.rows(**where, plant=by.plant_id)
    else:
        rows = OF_ANY_PLANT.rows(**where) if by.role == "administrator" else []
    return _at_hand(rows, stage, SWEEPS.rows(**where)) if rows else None


def _at_hand(rows: list[tuple[Any, ...]], stage: str, swept: list[tuple[Any, ...]]) -> AtHand:
    row = rows[0]
    visit, station = _VISIT.made(VISIT, row), _VISIT.made(STATION, row)
    visit.machine, visit.machine.line = _VISIT.made(MACHINE, row), _VISIT.made(LINE, row)
    visit.machine.line.plant, station.machine = _VISIT.made(PLANT, row), visit.machine
    if visit.is_open:
        visit._state.fields_cache["signature"] = None
    *only_added, ruled, moved, ran = row[_VISIT.rest][: -len(Seat.values)]
    stored = row[-len(Seat.values) :]
    stamp = (_VISIT.values(MACHINE, row), _VISIT.values(STATION, row), *only_added)
    return AtHand(
        visit=visit,
        station=in_force(visit, [station])[0] if ruled else station,
        stage=stage,
        sweeps=_sweeps(visit, station, swept),
        lockouts=_lockouts(visit, rows),
        note=_VISIT.made(NOTE, row),
        stored=frozenset(seat for seat, there in zip(Seat.values, stored, strict=True) if there),
        moved=moved,
        ran=ran,
        known=knowledge_at(station, stamp),
    )


def _lockouts(visit: Visit, rows: list[tuple[Any, ...]]) -> tuple[Lockout, ...]:
    found: dict[int, Lockout] = {}
    for row in rows:
        lockout, lock = _VISIT.made(LOCKOUT, row), _VISIT.made(LOCK, row)
        if lockout is None:
            continue
        known = found.setdefault(lockout.pk, lockout)
        known.visit = visit
        locks = vars(known).setdefault("_prefetched_objects_cache", {}).setdefault("locks", [])
        if lock is not None:
            locks.append(lock)
    return tuple(found.values())


def _sweeps(visit: Visit, station: Station, rows: list[tuple[Any, ...]]) -> list[Sweep]:
    found: dict[int, Sweep] = {}
    people: dict[int, Person] = {}
    for row in rows:
        pk = row[0]
        if pk not in found:
            found[pk] = _with_readings(_SWEEP.made(SWEEP, row), visit, station, [])
        reading = _SWEEP.made(READING, row)
        if reading is not None:
            by = people.get(reading.by_id)
            if by is None:
                by = people[reading.by_id] = _SWEEP.made(BY, row)
            reading.by, reading.sweep = by, found[pk]
            readings_in_hand(found[pk]).append(reading)
    return list(found.values())


def _with_readings(sweep: Sweep, visit: Visit, station: Station, readings: list[Reading]) -> Sweep:
    """Return a sweep whose visit, station and readings are in hand."""
    sweep.visit, sweep.station = visit, station
    vars(sweep).setdefault("_prefetched_objects_cache", {})["readings"] = readings
    return sweep


def adjusters_in_hand(hand: AtHand) -> list[Adjuster]:
    """Return the adjusters of a station in hand as they stand, with the shims there are for them."""
    found: dict[int, Adjuster] = {}
    for row in ADJUSTERS.rows(station=hand.station.pk):
        adjuster = found.setdefault(row.pk, row)
        adjuster.station = hand.station
        if adjuster.stock is not None:
            shims = vars(adjuster.stock).setdefault("_prefetched_objects_cache", {}).setdefault("thicknesses", [])
            shim = vars(row)
            if shim["shim_pk"] is not None:
                size, pieces = shim["shim_thickness_um"], shim["shim_pieces"]
                shims.append(
                    ShimThickness(pk=shim["shim_pk"], stock=adjuster.stock, thickness_um=size, pieces=pieces)
                )
    return as_moved(list(found.values()), hand.known.moves_of(hand.station))


def readings_in_hand(sweep: Sweep) -> list[Reading]:
    """Return the readings of a sweep in hand, themselves: what is changed here is seen by all who ask the sweep."""
    readings: list[Reading] = vars(sweep)["_prefetched_objects_cache"]["readings"]
    return readings
