"""Put an amendment beside a signed visit: a word, a value that should stand, or a reading typed anew."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction

from linelog.alignment.computing import WORST_FIRST, Outcome, StationOutcome
from linelog.alignment.models import AmendedReading, AmendedResult, Amendment, Reading, Result, Sweep, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.queries import sweeps_of
from linelog.alignment.services.guard import check_may
from linelog.alignment.services.results import compute_in
from linelog.calc.sweep import ALGORITHM
from linelog.calc.verdict import Verdict, judge
from linelog.plant.models import Person, Station
from linelog.web import audit, followers
from linelog.web.errors import Refused
from linelog.web.permissions import Permission


@dataclass(frozen=True, slots=True)
class AmendedValue:
    """The value of one station that an amendment speaks of; x and y in um, or None to leave them."""

    station: Station
    stage: str
    seat: str
    x_um: float | None
    y_um: float | None
    set_aside: bool


UNFIT = (
    "With this the readings of the sweep no longer fit together: it would have to be read again. Either this is not "
    "what the dial showed, or another reading of the sweep is wrong too. Say that it is meant, and the station "
    "counts as not proven until the other one is amended as well; or amend the value instead."
)


@dataclass(frozen=True, slots=True)
class Retyped:
    """A reading as it should have been typed."""

    reading: Reading
    value_um: float
    text: str
    unit: str
    meant: bool = False  # though the sweep would then have to be read again


def _check(by: Person, visit: Visit, reason: str) -> None:
    check_may(by, Permission.AMEND_VISIT, "Your role may not amend a visit.")
    if visit.state != Visit.State.SIGNED:
        raise Refused("Only a signed visit is amended; an open one can simply be corrected.")
    if not reason.strip():
        raise Refused("Say what was wrong and how you know.", field="reason")


@transaction.atomic
def amend_visit(*, by: Person, visit: Visit, reason: str, value: AmendedValue | None, at: datetime) -> Amendment:
    """Put a reasoned amendment beside a signed visit; both show from now on."""
    _check(by, visit, reason)
    amendment = Amendment.objects.create(
        visit=visit,
        reason=reason.strip(),
        station=value.station if value else None,
        stage=value.stage if value else "",
        seat=value.seat if value else "",
        x_um=value.x_um if value else None,
        y_um=value.y_um if value else None,
        set_aside=value.set_aside if value else False,
        by=by,
        at=at,
    )
    audit.record(by=by, action="amended visit", obj=visit, at=at, after=audit.snapshot(amendment))
    tell(visit, at)
    return amendment


@transaction.atomic
def retype_reading(*, by: Person, visit: Visit, reason: str, retyped: Retyped, at: datetime) -> Amendment:
    """Amend one reading of a signed visit and evaluate its station anew; the signed reading and result stay.

    Readings amended before count as amended. The new result is judged by the limits that held when it was signed.
    """
    held = Visit.objects.select_for_update().get(pk=visit.pk)
    _check(by, held, reason)
    sweep = retyped.reading.sweep
    if sweep.visit_id != held.pk:
        raise Refused("This reading is of another visit.", field="reading")
    words = {**amended_readings(held), retyped.reading.pk: retyped.value_um}
    found = evaluated(visit, sweep, words)
    if found.withheld and not retyped.meant and not evaluated(visit, sweep, amended_readings(held)).withheld:
        raise Refused(UNFIT, field="typed")
    place = {"station": sweep.station, "stage": sweep.stage, "seat": sweep.seat}
    amendment = Amendment.objects.create(visit=held, reason=reason.strip(), by=by, at=at, **place)
    row = AmendedReading.objects.create(
        amendment=amendment,
        reading=retyped.reading,
        value_um=retyped.value_um,
        typed=retyped.text,
        unit=retyped.unit,
    )
    made = [AmendedResult.objects.create(amendment=amendment, **values) for values in _results(held, sweep, found)]
    if not made:
        raise Refused("With this reading the sweep comes to no value: say instead what should stand.", field="typed")
    before = {"reading": retyped.reading.as_typed}
    after = {**audit.snapshot(amendment), "reading": str(row)}
    audit.record(by=by, action="amended visit", obj=held, at=at, before=before, after=after)
    tell(visit, at)
    return amendment


def amended_readings(visit: Visit) -> dict[int, float]:
    """Return the last amended value (um) of each reading of a visit that has one."""
    rows = AmendedReading.objects.filter(amendment__visit=visit).order_by("amendment__at", "amendment_id", "pk")
    return dict(rows.values_list("reading_id", "value_um"))


def evaluated(visit: Visit, sweep: Sweep, values_um: dict[int, float]) -> StationOutcome:
    """Work out the station of a sweep, at its stage, with some readings (by key) replaced."""
    rows = sweeps_of(visit, sweep.station, sweep.stage)
    for row in rows:
        for reading in row.readings.all():
            reading.value_um = values_um.get(reading.pk, reading.value_um)
    return compute_in(visit, sweep.station, sweep.stage, rows)


def _results(visit: Visit, sweep: Sweep, found: StationOutcome) -> list[dict[str, Any]]:
    """Return the columns of the amended results: of each seat that was signed with a static value."""
    signed = Result.objects.filter(visit=visit, station=sweep.station, stage=sweep.stage, method=Method.STATIC)
    pairs = ((first, found.seats.get(first.seat)) for first in signed)
    return [_columns(first, found, seat) for first, seat in pairs if seat is not None and seat.value is not None]


def _columns(first: Result, found: StationOutcome, seat: Outcome) -> dict[str, Any]:
    value, tilt = seat.value, found.tilt
    if value is None:
        raise ValueError("a seat without a value has no result")
    judged = [judge(value.size, value.radial.U + seat.doubt, first.limit_um)]
    if tilt is not None and first.tilt_limit_mm_per_m is not None:
        judged.append(judge(tilt.size, tilt.radial.U, first.tilt_limit_mm_per_m))
    worst = min((one.verdict for one in judged), key=WORST_FIRST.index)
    if found.withheld and worst is Verdict.IN:
        worst = Verdict.NOT_PROVEN  # to be read again, which can't be done any more
    return {
        "seat": first.seat,
        "x_um": value.x,
        "y_um": value.y,
        "radial_um": value.size,
        "expanded_um": value.radial.U,
        "u_x_um": value.across.U / value.across.k,  # with what a closure adds to U, as a result keeps it
        "u_y_um": value.up.U / value.up.k,
        "tilt_x_mm_per_m": tilt.x if tilt else None,
        "tilt_y_mm_per_m": tilt.y if tilt else None,
        "tilt_expanded_mm_per_m": tilt.radial.U if tilt else None,
        "verdict": worst.value,
        "severity": max(one.severity for one in judged),
        "algorithm": ALGORITHM,
    }


def tell(visit: Visit, at: datetime) -> None:
    """Tell whoever rests on signed visits that this machine has a new word."""
    followers.tell(followers.VISITS, plant_id=visit.machine.line.plant_id, machines=[visit.machine_id], at=at)
