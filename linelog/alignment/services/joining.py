"""A capture and the visit it was made in: it joins, gives a running offset, and leaves while the visit is open."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db import transaction

from linelog.alignment.captures.working import REFERENCE
from linelog.alignment.limits import in_force
from linelog.alignment.models import Capture, CaptureValue, Lockout, Result, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.services import lockouts
from linelog.alignment.services.captures import facts
from linelog.alignment.services.guard import locked_open_visit
from linelog.calc.verdict import judge
from linelog.plant.models import Person, Station
from linelog.web import audit
from linelog.web.errors import Conflict, Refused

Phase = CaptureValue.Phase


def chosen(values: Iterable[CaptureValue]) -> CaptureValue | None:
    """Return the value that stands for the station: at the dome for a domer, else forward, where cans are ironed."""
    by_phase = {each.phase: each for each in values if each.seat == REFERENCE}
    if not by_phase:
        return None
    domer = next(iter(by_phase.values())).station.kind == Station.Kind.DOMER
    order = (Phase.DOME, Phase.FORWARD, Phase.RETURN) if domer else (Phase.FORWARD, Phase.RETURN, Phase.DOME)
    return next(by_phase[phase] for phase in order if phase in by_phase)


def running_result(value: CaptureValue, algorithm: str, at: datetime) -> dict[str, Any]:
    """Return the columns of a running `Result`, judged against the station's limit."""
    judged = judge(value.radial_um, value.expanded_um, value.station.limit_um)
    return {
        "carrier": "",
        "limit_rule": value.station.limit_rule,
        "x_um": value.x_um,
        "y_um": value.y_um,
        "radial_um": value.radial_um,
        "u_x_um": value.u_x_um,
        "u_y_um": value.u_y_um,
        "expanded_um": value.expanded_um,
        "readings": value.strokes,
        "verdict": judged.verdict.value,
        "severity": judged.severity,
        "limit_um": value.station.limit_um,
        "algorithm": f"capture {algorithm}",
        "at": at,
    }


@transaction.atomic
def join_visit(*, by: Person, at: datetime, capture: Capture, visit: Visit, stage: str, version: int) -> Result:
    """Make the capture part of an open visit of its machine, which gets a running offset of the ring's station."""
    fresh_visit = locked_open_visit(visit, by)
    fresh = _locked(capture, version)
    if fresh_visit.machine_id != fresh.machine_id:
        raise Refused("This visit is of another machine.", field="visit")
    if fresh.visit_id is not None:
        raise Refused("This capture is part of a visit already.")
    if fresh.state != Capture.State.DONE or fresh.set_aside_at is not None:
        raise Refused("Only a capture that was worked out and not set aside joins a visit.")
    value = chosen(fresh.values.select_related("station"))
    if value is None:
        raise Refused("This capture says nothing of a station: nothing can join.")
    value.station = in_force(fresh_visit, [value.station])[0]
    place = {"visit": fresh_visit, "station": value.station, "stage": stage, "seat": "", "method": Method.RUNNING}
    if Result.objects.filter(**place).exists():
        raise Refused(
            f"This visit has a running offset of {value.station} there already: choose the other stage, or take that "
            "capture out first.",
            field="stage",
        )
    before = facts(fresh)
    fresh.visit, fresh.stage, fresh.version = fresh_visit, stage, fresh.version + 1
    fresh.save(update_fields=["visit", "stage", "version"])
    result = Result.objects.create(**place, **running_result(value, fresh.algorithm, fresh.recorded_at))
    audit.record(
        by=by,
        action="joined capture to visit",
        obj=fresh,
        at=at,
        before=before,
        after=facts(fresh),
        plant_id=by.plant_id,
    )
    ran_at = fresh.recorded_at
    if fresh_visit.lockouts.filter(ended_at__isnull=True, verified_at__lt=ran_at).exists():
        lockouts.end_standing(by=by, visit=fresh_visit, how=Lockout.Ended.RAN, ended_at=ran_at, at=at)
    return result


@transaction.atomic
def leave_visit(*, by: Person, at: datetime, capture: Capture, version: int) -> Capture:
    """Take a capture out of its visit, which loses the running offset that came from it."""
    if capture.visit is None:
        raise Refused("This capture is in no visit.")
    visit = locked_open_visit(capture.visit, by)
    fresh = _locked(capture, version)
    value = chosen(fresh.values.select_related("station"))
    before = facts(fresh)
    if value is not None:
        Result.objects.filter(
            visit=visit, station=value.station, stage=fresh.stage, seat="", method=Method.RUNNING
        ).delete()
    fresh.visit, fresh.stage, fresh.version = None, "", fresh.version + 1
    fresh.save(update_fields=["visit", "stage", "version"])
    audit.record(by=by, action="took capture out of visit", obj=fresh, at=at, before=before, after=facts(fresh))
    return fresh


def _locked(capture: Capture, version: int) -> Capture:
    fresh = Capture.objects.select_for_update(of=("self",)).get(pk=capture.pk)
    if fresh.version != version:
        raise Conflict("Somebody else changed this capture meanwhile: look again.", theirs=fresh)
    return fresh
