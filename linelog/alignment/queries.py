"""What the pages of the log read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, Prefetch, Q, QuerySet

from linelog.alignment.adjuster_state import with_present_state
from linelog.alignment.amended import AmendedLine, amended_lines
from linelog.alignment.judging import is_judged, with_overtaken
from linelog.alignment.limits import in_force
from linelog.alignment.models import (
    BushingClearance,
    BushingFitted,
    BushingPosition,
    MoveMade,
    Reading,
    Result,
    Stage,
    StationNote,
    Sweep,
    Visit,
)
from linelog.alignment.results.of_visit import both_statuses
from linelog.alignment.results.of_visits import out_of_visits
from linelog.alignment.results.status import StationStatus
from linelog.alignment.results.unswept import LINE_AS_LEFT, Unswept
from linelog.alignment.since_move import moves_of
from linelog.plant.models import Adjuster, Machine, Person, Plant, Station

SET_UP_FIELDS = (
    "positions",
    "surface",
    "carrier",
    "view",
    "facing",
    "plunger_reversed",
    "indicator",
    "resolution_um",
    "sag_um",
    "sag_uncertainty_um",
    "face_radius_mm",
    "ram_position_mm",
)


def visits_for(user: Person) -> QuerySet[Visit]:
    """Return the visits a person may see, with what a list shows."""
    return Visit.objects.for_user(user).select_related("machine__line__plant", "opened_by", "signed_by", "signature")


def visit_list(user: Person, *, machine: Machine | None = None, state: str = "") -> QuerySet[Visit]:
    """Return visits newest first."""
    rows = visits_for(user)
    if machine:
        rows = rows.filter(machine=machine)
    if state:
        rows = rows.filter(state=state)
    return rows.order_by("-opened_at", "-pk")


def open_visit_of(machine: Machine) -> Visit | None:
    """Return the machine's open visit, where there is one."""
    return Visit.objects.filter(machine=machine, state=Visit.State.OPEN).select_related("opened_by").first()


def astray(machine: Machine) -> list[BushingPosition]:
    """Return the bushings that were last measured to stand out of their limit off a line of their own."""
    rows = BushingPosition.objects.filter(station__machine=machine, station__is_active=True)
    rows = rows.exclude(visit__state=Visit.State.DROPPED).select_related("station").order_by("at", "pk")
    last = {row.station_id: row for row in rows}
    return [row for row in last.values() if row.verdict == "out"]


@dataclass(frozen=True, slots=True)
class VisitLine:
    """A visit in the list, with how many stations were out as found and as left, running values taken in."""

    visit: Visit
    found_out: int
    left_out: int


def with_what_is_out(visits: Iterable[Visit], now: dt.datetime) -> list[VisitLine]:
    """Return the visits of a page with how many stations were out, as the page of each says."""
    ids = [visit.pk for visit in visits]
    rows = Visit.objects.filter(pk__in=ids).select_related("machine__line", "opened_by")
    shown = list(rows.order_by("-opened_at", "-pk"))
    out = out_of_visits(shown, now)
    return [VisitLine(visit, *out[visit.pk]) for visit in shown]


def sweeps_of(visit: Visit, station: Station | None = None, stage: str = "") -> list[Sweep]:
    """Return sweeps with their readings: of the visit, of a station, or of one stage of it."""
    rows = Sweep.objects.filter(visit=visit)
    if station:
        rows = rows.filter(station=station)
    if stage:
        rows = rows.filter(stage=stage)
    return list(rows.prefetch_related(Prefetch("readings", queryset=Reading.objects.select_related("by"))))


def moved_at(visit: Visit, station: Station) -> list[datetime]:
    """Return when moves of a station, or of a bushing and the line with it, were logged in a visit."""
    return list(visit.moves.filter(moves_of(station)).values_list("at", flat=True))


def sweep_defaults(visit: Visit, station: Station, seat: str, kind: str) -> dict[str, Any]:
    """Return how a new sweep starts: as this place was last swept, else as the station is set up.

    What is taken over from another visit is marked with that visit's time until a person confirms it. The unit is
    never taken over: it belongs to who types. Which way a face looks is not assumed: it decides the sign.
    """
    last: dict[str, Any] | None = (
        Sweep.objects.filter(station=station, kind=kind, visit__machine=visit.machine)
        .exclude(~Q(visit=visit), visit__state=Visit.State.DROPPED)  # nobody stood by what is in it
        .order_by("-pk")
        .values(*SET_UP_FIELDS, "set_up_from", "taken_over_from", "visit_id", "visit__opened_at")
        .first()
    )
    if last:
        source, opened_at = last.pop("visit_id"), last.pop("visit__opened_at")
        if source != visit.pk:
            last |= {"set_up_from": Sweep.SetUpFrom.VISIT, "taken_over_from": opened_at}
        return last
    return usual_set_up(station, kind, visit.machine.line.plant)


def usual_set_up(station: Station, kind: str, plant: Plant) -> dict[str, Any]:
    """Return how a sweep starts where nobody has swept yet: as the station is set up."""
    return {
        "set_up_from": Sweep.SetUpFrom.STATION,
        "positions": 4,
        "surface": station.surface,
        "carrier": station.carrier,
        "view": station.view,
        "resolution_um": plant.indicator_resolution_um,
        "face_radius_mm": station.face_radius_mm if kind == Sweep.Kind.FACE else None,
    }


def left_last_time(sweep: Sweep) -> Sweep | None:
    """Return how this place was left at the visit before, with its readings, where it was swept the same way.

    The view may differ: it turns 3 and 9. None where another surface or carrier, or a reversed dial, makes the
    readings another quantity.
    """
    same = {name: getattr(sweep, name) for name in ("station_id", "seat", "kind", "surface", "carrier")}
    rows = Sweep.objects.filter(
        **same,
        stage=Stage.AS_LEFT,
        plunger_reversed=sweep.plunger_reversed,
        visit__state=Visit.State.SIGNED,
        visit__opened_at__lt=sweep.visit.opened_at,
    )
    return rows.prefetch_related("readings").order_by("-visit__opened_at", "-pk").first()


def stations_of(machine: Machine) -> list[Station]:
    """Return the machine's measured stations in order along the ram."""
    return list(machine.stations.filter(is_active=True).order_by("order", "pk"))


def adjusters_of(station: Station, *, before: datetime | None = None) -> list[Adjuster]:
    """Return a station's adjusters as they stand (or stood `before` a time), with the shims there are for them."""
    rows = station.adjusters.select_related("stock").prefetch_related("stock__thicknesses").order_by("order", "pk")
    return with_present_state(list(rows), before=before)


@dataclass(frozen=True, slots=True)
class BushingFound:
    """What a visit holds of a bushing, as found and as left."""

    found: BushingClearance | None
    left: BushingClearance | None
    positions: tuple[BushingPosition, ...]
    fitted: BushingFitted | None


@dataclass(frozen=True, slots=True)
class StationLine:
    """One row of a visit's page: a station with what was found, done and left, as signed, and what was amended."""

    station: Station
    found: Result | None
    left: Result | None
    running: tuple[Result, ...]
    moves: tuple[MoveMade, ...]
    note: StationNote | None
    readings: int
    found_stands: StationStatus | None
    left_stands: StationStatus | None
    bushing: BushingFound | None = None
    amended: tuple[AmendedLine, ...] = ()
    line_moved: MoveMade | None = None  # the last move of a bushing in the visit

    @property
    def to_sweep(self) -> tuple[Unswept, ...]:
        """What of it is to be swept as left, as far as it was swept or said to be left as it was found."""
        if self.left_stands is not None:
            return self.left_stands.unswept
        if self.line_moved is None or self.found is None or self.station.is_bushing:
            return ()
        return (LINE_AS_LEFT[self.line_moved.station.kind],)

    @property
    def limit_um(self) -> float | None:
        """The limit that held when it was measured, else the station's of today; of a bushing, where it was measured.

        Of an offset it is radial, of a bushing's clearance on diameter.
        """
        if self.station.is_bushing:
            clearance = self.bushing and (self.bushing.found or self.bushing.left)
            return clearance.limit_um if clearance else None
        measured = self.found or self.left
        return measured.limit_um if measured else self.station.limit_um


def _worst(results: list[Result]) -> Result | None:
    order = {"out": 0, "not proven": 1, "in": 2}
    return min(results, key=lambda r: (order[r.verdict], -r.severity), default=None)


def station_lines(visit: Visit, now: dt.datetime) -> list[StationLine]:
    """Return the stations of a visit with their results, moves and notes, in a fixed number of queries."""
    results = list(with_overtaken(visit.results.select_related("station")))
    moves = list(visit.moves.select_related("adjuster", "by", "station"))
    line_moved = max((m for m in moves if m.station.is_bushing), key=lambda m: m.at, default=None)
    notes = {note.station_id: note for note in visit.station_notes.all()}
    counts = dict(
        Sweep.objects.filter(visit=visit).values_list("station_id").annotate(n=Count("readings")).order_by()
    )
    stations = in_force(visit, stations_of(visit.machine))
    stand = both_statuses(visit, stations, now)
    bushings = _bushings(visit)
    amended = amended_lines(visit, stand.amended)
    lines = []
    for station in stations:
        mine = [r for r in results if r.station_id == station.pk]
        static = [r for r in mine if r.method == "static" and is_judged(r)]
        found, left = ([r for r in static if r.stage == stage] for stage in Stage.values)
        lines.append(
            StationLine(
                station=station,
                found=_worst(found),
                left=_worst(left),
                running=tuple(r for r in mine if r.method == "running"),
                moves=tuple(m for m in moves if m.station_id == station.pk),
                note=notes.get(station.pk),
                readings=counts.get(station.pk, 0),
                found_stands=stand.signed.get((station.pk, Stage.AS_FOUND.value)),
                left_stands=stand.signed.get((station.pk, Stage.AS_LEFT.value)),
                bushing=bushings.get(station.pk),
                amended=amended.get(station.pk, ()),
                line_moved=line_moved,
            )
        )
    return lines


def _bushings(visit: Visit) -> dict[int, BushingFound]:
    """Return what a visit holds of its bushings, in three queries."""
    clearances = {(row.station_id, row.stage): row for row in visit.clearances.all()}
    positions = list(visit.bushing_positions.all())
    fitted = {row.station_id: row for row in visit.bushings_fitted.all()}
    found = {station for station, _ in clearances} | {row.station_id for row in positions} | fitted.keys()
    return {
        pk: BushingFound(
            clearances.get((pk, Stage.AS_FOUND)),
            clearances.get((pk, Stage.AS_LEFT)),
            tuple(row for row in positions if row.station_id == pk),
            fitted.get(pk),
        )
        for pk in found
    }


def also_here(visit: Visit, user: Person, since: Any) -> list[str]:
    """Name the others who logged a reading in this visit since then."""
    return sorted(
        {
            str(reading.by)
            for reading in Reading.objects.filter(sweep__visit=visit, at__gte=since)
            .exclude(by=user)
            .select_related("by")[:200]
        }
    )
