"""What is measured of a bushing in a visit: its clearance, its position, a new one fitted."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

from django.utils import timezone

from linelog.alignment.models import BushingClearance, BushingFitted, BushingPosition, Visit
from linelog.alignment.services.guard import locked_open_visit
from linelog.alignment.services.lockouts import require_lockout
from linelog.calc.clearance import Clearance, Lever, OtherEnd, clearance
from linelog.calc.errors import CalcError
from linelog.calc.frame import turn
from linelog.calc.readings import View
from linelog.calc.verdict import Verdict, judge
from linelog.plant.models import Person, Plant, Station
from linelog.web import audit, units, writes
from linelog.web.errors import Conflict, Refused

ALGORITHM = "clearance-1"
DOUBTED = 3.0  # wear limits; common practice, no source: beyond it a clearance is asked about
DIRECTIONS = ("up_down", "left_right")


@dataclass(frozen=True, slots=True)
class TypedClearance:
    """Travels of the dial from stop to stop, um, and how it stood; `dial_z_mm` None is beside the bushing.

    meant  the person was asked about a size far beyond the wear limit, and says that it is right
    """

    stage: str
    up_down_um: float | None
    left_right_um: float | None
    unit: str
    resolution_um: float
    dial_z_mm: float | None
    other_end: str
    meant: bool = False

    @property
    def columns(self) -> dict[str, Any]:
        """What is stored of it as it was typed."""
        return {name: value for name, value in asdict(self).items() if name != "meant"}


class Doubted(Refused):
    """A clearance so far beyond the wear limit that it is asked about before it is stored."""


@dataclass(frozen=True, slots=True)
class TypedPosition:
    """A bushing off a line, um, x right and y up as seen in `view`; `expanded_um` of each axis at about 95 %."""

    stage: str
    reference: str
    reference_note: str
    x_um: float
    y_um: float
    expanded_um: float
    view: str
    unit: str


def wear_limit_um(station: Station, plant: Plant) -> float:
    """Return the diametral clearance at which this bushing is worn out."""
    return station.wear_limit_um or plant.bushing_wear_limit_um


def _bushing(station: Station) -> None:
    if not station.is_bushing:
        raise Refused(f"{station} is no bushing: sweep it.")


def other_bushing(station: Station) -> Station | None:
    """Return the bushing at the other end of the machine, None where it is no station."""
    others = Station.objects.filter(machine=station.machine_id, kind__in=Station.BUSHINGS, is_active=True)
    return others.exclude(kind=station.kind).order_by("order").first()


def _other_clearances(visit: Visit, other: Station | None, stage: str) -> BushingClearance | None:
    """Return what is known of the other bushing: of this visit and stage, else as it was measured last."""
    if other is None:
        return None
    rows = BushingClearance.objects.filter(station=other)
    return rows.filter(visit=visit, stage=stage).first() or rows.order_by("-at", "-pk").first()


def _lever(station: Station, other: Station | None, typed: TypedClearance, known_um: float | None) -> Lever | None:
    if typed.dial_z_mm is None:
        return None
    if other is None:
        raise Refused("The other bushing is no station here: set the dial beside this one.", field="dial_z_mm")
    return Lever(typed.dial_z_mm, station.z_mm, other.z_mm, OtherEnd(typed.other_end), known_um)


def worked_out(visit: Visit, station: Station, typed: TypedClearance) -> dict[str, Any]:
    """Return the columns that follow from the travels; raises `Refused` where they can't be worked out."""
    plant = visit.machine.line.plant
    other = other_bushing(station) if typed.dial_z_mm is not None else None
    beside = _other_clearances(visit, other, typed.stage)
    found: dict[str, Clearance] = {}
    values: dict[str, Any] = {}
    for name in DIRECTIONS:
        travel = getattr(typed, f"{name}_um")
        known = getattr(beside, f"clearance_{name}_um") if beside else None
        if travel is not None:
            try:
                found[name] = clearance(
                    travel,
                    step_um=typed.resolution_um,
                    scatter_um=plant.usual_scatter_um,
                    lever=_lever(station, other, typed, known),
                )
            except CalcError as error:
                field = f"{name}_um" if error.field == "travel" else error.field
                raise Refused(error.message, field=field) from None
        values[f"clearance_{name}_um"] = found[name].value_um if name in found else None
        values[f"other_{name}_um"] = known if typed.dial_z_mm is not None else None
    if not found:
        raise Refused("Type how far the dial went from stop to stop, up and down first.", field="up_down_um")
    return values | _judged(found, wear_limit_um(station, plant))


def _judged(found: dict[str, Clearance], limit_um: float) -> dict[str, Any]:
    larger = max(found.values(), key=lambda one: one.value_um)
    judged = judge(larger.value_um, larger.expanded_um, limit_um)
    known = len(found) == len(DIRECTIONS) or judged.verdict is Verdict.OUT  # one direction can't prove it sound
    return {
        "clearance_um": larger.value_um,
        "expanded_um": larger.expanded_um,
        "limit_um": limit_um,
        "verdict": judged.verdict.value if known else "",
        "severity": judged.severity,
        "algorithm": ALGORITHM,
    }


def _stored(
    row: Any, stored: Any, version: int, values: dict[str, Any], action: str, by: Person, at: datetime
) -> int:
    """Insert `row`, or change the stored one under the version the person saw, with history; return its version."""
    if (stored.version if stored else 0) != version:
        who = stored.by if stored else "Somebody"
        raise Conflict(f"{who} typed this in meanwhile; yours is not stored yet.", theirs=stored)
    before = audit.snapshot(stored) if stored else None
    kept = stored or row
    for name, value in {**values, "by": by, "at": at}.items():
        setattr(kept, name, value)
    kept.version = version + 1
    kept.save(update_fields=[*values, "by", "at", "version"] if stored else None)
    audit.record(by=by, action=action, obj=kept, at=at, before=before, after=audit.snapshot(kept))
    return int(kept.version)


def _doubt(values: dict[str, Any], by: Person) -> None:
    """Ask about a clearance of more than three wear limits: such a bushing is rare, a wrong unit is not."""
    limit_um = values["limit_um"]
    if values["clearance_um"] > DOUBTED * limit_um:
        larger = max(DIRECTIONS, key=lambda name: values[f"clearance_{name}_um"] or 0.0)
        limit = units.show_um(limit_um, units.of(by), with_unit=True)
        times = values["clearance_um"] / limit_um
        raise Doubted(f"That is {times:.0f} times the wear limit of {limit}: is it right?", field=f"{larger}_um")


def save_clearance(
    *,
    by: Person,
    visit: Visit,
    station: Station,
    typed: TypedClearance,
    version: int,
    at: datetime,
    typed_at: datetime | None = None,
    key: str = "",
) -> int:
    """Store the clearance of a bushing and return its version; `version` is the one the person saw (0 for none).

    A lockout must have stood when it was typed: `typed_at`, where a tablet sends it later. One far beyond the wear
    limit raises `Doubted` unless it is said to be meant.
    """

    def write() -> int:
        fresh = locked_open_visit(visit, by)
        _bushing(station)
        require_lockout(fresh, typed_at or at)
        where = {"visit": fresh, "station": station, "stage": typed.stage}
        stored = BushingClearance.objects.select_related("by").filter(**where).first()
        values = typed.columns | worked_out(fresh, station, typed)
        if not typed.meant:
            _doubt(values, by)
        return _stored(BushingClearance(**where), stored, version, values, "measured clearance", by, at)

    content = [visit.pk, station.pk, "clearance", asdict(typed), version]
    return int(writes.once(by=by, key=key, content=content, at=at, write=write))


def save_position(
    *,
    by: Person,
    visit: Visit,
    station: Station,
    typed: TypedPosition,
    version: int,
    at: datetime,
    typed_at: datetime | None = None,
    key: str = "",
) -> int:
    """Store the position of a bushing and return its version; `version` is the one the person saw (0 for none).

    A lockout must have stood when it was typed: `typed_at`, where a tablet sends it later.
    """

    def write() -> int:
        fresh = locked_open_visit(visit, by)
        _bushing(station)
        require_lockout(fresh, typed_at or at)
        if typed.reference == BushingPosition.Reference.OTHER and not typed.reference_note.strip():
            raise Refused("Say what it was measured from.", field="reference_note")
        where = {"visit": fresh, "station": station, "stage": typed.stage}
        stored = BushingPosition.objects.select_related("by").filter(**where).first()
        x, y = turn(typed.x_um, typed.y_um, View(typed.view))
        judged = judge(math.hypot(x, y), typed.expanded_um, station.limit_um)
        values = asdict(typed) | {
            "x_um": x,
            "y_um": y,
            "limit_um": station.limit_um,
            "verdict": judged.verdict.value,
            "severity": judged.severity,
        }
        return _stored(BushingPosition(**where), stored, version, values, "measured position", by, at)

    content = [visit.pk, station.pk, "position", asdict(typed), version]
    return int(writes.once(by=by, key=key, content=content, at=at, write=write))


def fit_bushing(
    *, by: Person, visit: Visit, station: Station, fitted_on: date, note: str, at: datetime, key: str = ""
) -> None:
    """Say that a new bushing was fitted; said again in the same visit, the last word stands."""

    def write() -> None:
        fresh = locked_open_visit(visit, by)
        _bushing(station)
        if fitted_on > timezone.localtime(at).date():
            raise Refused("This day has not come yet.", field="fitted_on")
        earlier = BushingFitted.objects.filter(visit=fresh, station=station).first()
        before = audit.snapshot(earlier) if earlier else None
        row, _ = BushingFitted.objects.update_or_create(
            visit=fresh, station=station, defaults={"fitted_on": fitted_on, "note": note.strip(), "by": by, "at": at}
        )
        audit.record(by=by, action="fitted bushing", obj=row, at=at, before=before, after=audit.snapshot(row))

    writes.once(by=by, key=key, content=[visit.pk, station.pk, "fitted", fitted_on, note], at=at, write=write)


def take_fitting_back(*, by: Person, visit: Visit, station: Station, at: datetime, key: str = "") -> None:
    """Take back that a new bushing was fitted; the history keeps it."""

    def write() -> None:
        fresh = locked_open_visit(visit, by)
        row = BushingFitted.objects.filter(visit=fresh, station=station).first()
        if row is not None:
            audit.record(by=by, action="took fitted bushing back", obj=row, at=at, before=audit.snapshot(row))
            row.delete()

    writes.once(by=by, key=key, content=[visit.pk, station.pk, "fitted", "back"], at=at, write=write)
