"""The rows of the log while they are made up: unsaved, in the order in which they are stored at the end."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

from django.db.models import Model

from linelog.alignment.models import (
    Amendment,
    BushingClearance,
    BushingPosition,
    Capture,
    CaptureValue,
    Lockout,
    MoveMade,
    PersonalLock,
    Reading,
    Result,
    RunningReading,
    Signature,
    StationNote,
    Sweep,
    Visit,
)
from linelog.alignment.signing.names import about
from linelog.demo.lockouts import locks_of
from linelog.demo.walls import Taken
from linelog.plant.models import Fitting
from linelog.production.models import Event, Finding, WallReading, WallRing, WallSample

AT_ONCE = 1000
Row = TypeVar("Row", bound=Model)


@dataclass(slots=True)
class Log:
    """Everything that hangs on visits, and what else is dated."""

    visits: list[Visit] = field(default_factory=list)
    lockouts: list[Lockout] = field(default_factory=list)
    sweeps: list[Sweep] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    results: list[Result] = field(default_factory=list)
    moves: list[MoveMade] = field(default_factory=list)
    notes: list[StationNote] = field(default_factory=list)
    running: list[RunningReading] = field(default_factory=list)
    clearances: list[BushingClearance] = field(default_factory=list)
    positions: list[BushingPosition] = field(default_factory=list)
    captures: list[Capture] = field(default_factory=list)
    capture_values: list[CaptureValue] = field(default_factory=list)
    amendments: list[Amendment] = field(default_factory=list)
    fittings: list[Fitting] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    walls: list[Taken] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def store(self) -> dict[str, int]:
        """Store all of it and return how many of each; a visit is signed only when all that hangs on it is in."""
        closed = [(visit, visit.state, visit.signed_by, visit.signed_at) for visit in self.visits]
        for visit in self.visits:
            visit.state, visit.signed_by, visit.signed_at = Visit.State.OPEN, None, None
        stored = {
            "visits": _create(Visit, self.visits),
            "lockouts": _create(Lockout, self.lockouts),
            "own locks": _create(PersonalLock, locks_of(self.lockouts)),
            "sweeps": _create(Sweep, self.sweeps),
            "readings": _create(Reading, self.readings),
            "results": _create(Result, self.results),
            "moves": _create(MoveMade, self.moves),
            "station notes": _create(StationNote, self.notes),
            "running readings": _create(RunningReading, self.running),
            "clearances of bushings": _create(BushingClearance, self.clearances),
            "positions of bushings": _create(BushingPosition, self.positions),
            "captures": _create(Capture, self.captures),
            "values of captures": _create(CaptureValue, self.capture_values),
        }
        for visit, state, by, at in closed:
            visit.state, visit.signed_by, visit.signed_at = state, by, at
        signed = [visit for visit in self.visits if visit.state == Visit.State.SIGNED]
        _create(Signature, _signatures(signed))
        Visit.objects.bulk_update(self.visits, ["state", "signed_by", "signed_at"], batch_size=100)
        return stored | {
            "amendments": _create(Amendment, self.amendments),
            "fittings": _create(Fitting, self.fittings),
            "events": _create(Event, self.events),
            "wall samples": self._store_walls(),
            "findings": _create(
                Finding, sorted(self.findings, key=lambda finding: (finding.made_from, finding.code_id))
            ),
        }

    def _store_walls(self) -> int:
        stored = _create(WallSample, [taken.sample for taken in self.walls])
        _create(WallRing, [ring for taken in self.walls for ring in taken.rings])
        _create(WallReading, [reading for taken in self.walls for reading in taken.readings])
        return stored


def _signatures(visits: list[Visit]) -> list[Signature]:
    names = {m.pk: {str(s.pk): s.name for s in m.stations.all()} for m in {visit.machine for visit in visits}}
    return [
        Signature(
            visit=visit,
            name=str(visit.signed_by),
            role=visit.signed_by.role if visit.signed_by else "",
            names={**about(visit), "stations": names[visit.machine_id], "adjusters": {}, "people": {}},
        )
        for visit in visits
    ]


def _create(model: type[Row], rows: list[Row]) -> int:
    model._default_manager.bulk_create(rows, batch_size=AT_ONCE)
    return len(rows)
