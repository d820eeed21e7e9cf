"""Keep the stored results of a station in step with its readings."""

from __future__ import annotations

from collections.abc import Container, Iterable
from datetime import datetime
from typing import Any

from django.db import transaction

from linelog.alignment.computing import WORST_FIRST, Outcome, StationOutcome, compute
from linelog.alignment.models import Result, Seat, Sweep, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.queries import moved_at, sweeps_of
from linelog.calc.sweep import ALGORITHM
from linelog.calc.verdict import Verdict
from linelog.plant.models import Station
from linelog.web.prepared import PreparedInsert

PLACE = ("visit", "station", "stage", "seat", "method")
FIGURES = tuple(
    field.name for field in Result._meta.concrete_fields if not field.primary_key and field.name not in PLACE
)
RESULTS = PreparedInsert(Result, unique=PLACE, update=FIGURES)


def result_values(found: StationOutcome, of_seat: Outcome, at: datetime) -> dict[str, Any]:
    """Return the columns of a `Result` for one seat."""
    value, quality = of_seat.value, of_seat.quality
    if value is None or quality is None:
        raise ValueError("a seat without a value has no result")
    given = _verdict(found, of_seat)
    limit = found.station.limit_um
    shares = [value.size / limit, *([found.tilt_judged.severity] if found.tilt_judged else [])]
    return {
        "limit_rule": found.station.limit_rule,
        "carrier": of_seat.row.carrier if of_seat.row else Station.Carrier.RAM,
        "x_um": value.x,
        "y_um": value.y,
        "radial_um": value.size,
        "u_x_um": value.across.U / value.across.k,  # with what a closure adds to U
        "u_y_um": value.up.U / value.up.k,
        "expanded_um": value.radial.U,
        "tir_um": of_seat.tir_um,
        "closure_um": quality.closure_um,
        "return_um": quality.return_um,
        "out_of_round_um": quality.second.amplitude_um,
        "tilt_x_mm_per_m": found.tilt.x if found.tilt else None,
        "tilt_y_mm_per_m": found.tilt.y if found.tilt else None,
        "tilt_expanded_mm_per_m": found.tilt.radial.U if found.tilt else None,
        "readings": of_seat.readings,
        "verdict": (given or Verdict.NOT_PROVEN).value,
        "withheld": given is None,
        "severity": max(shares),
        "limit_um": limit,
        "tilt_limit_mm_per_m": found.station.tilt_limit_mm_per_m,
        "carried": False,
        "is_partial": bool(of_seat.missing_deg),
        "algorithm": ALGORITHM,
        "at": at,
    }


def _verdict(found: StationOutcome, of_seat: Outcome) -> Verdict | None:
    """Return the worse of offset and tilt; None while it is withheld: a doubtful tilt can't turn out in."""
    judged = [one.verdict for one in (of_seat.judged, found.tilt_judged) if one is not None]
    worst = min(judged, key=WORST_FIRST.index, default=None)
    return None if of_seat.withheld or (found.withheld and worst is not Verdict.OUT) else worst


@transaction.atomic(savepoint=False)
def store_results(*, visit: Visit, station: Station, stage: str, at: datetime) -> StationOutcome:
    """Compute the station anew and store what it gives; take away the result of a seat that has none any more."""
    found = compute_in(visit, station, stage, sweeps_of(visit, station, stage))
    keep_results(found, visit, at)
    return found


def compute_in(visit: Visit, station: Station, stage: str, rows: Iterable[Sweep]) -> StationOutcome:
    """Work out a station of a visit at one stage from its sweeps, and from what happened between their readings."""
    return compute(
        station=station,
        stage=stage,
        plant=visit.machine.line.plant,
        rows=rows,
        moved_at=moved_at(visit, station),
        lockouts=tuple(visit.lockouts.all()),
    )


def keep_results(found: StationOutcome, visit: Visit, at: datetime, *, stored: Container[str] = Seat.values) -> None:
    """Store what a station came to, as the results of its seats.

    stored  the seats that may have a result already, which goes where they give none any more
    """
    if found.station.is_bushing:  # never judged: what was stored of its old sweeps stays as it was
        return
    place: dict[str, Any] = {
        "visit": visit,
        "station": found.station,
        "stage": found.stage,
        "method": Method.STATIC,
    }
    gone = [seat for seat, of_seat in found.seats.items() if of_seat.value is None and seat in stored]
    if gone:
        Result.objects.filter(**place, seat__in=gone).delete()
    for seat, of_seat in found.seats.items():
        if of_seat.value is not None:
            RESULTS.store(Result(**place, seat=seat, **result_values(found, of_seat, at)))
