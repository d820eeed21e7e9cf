"""The long work on a capture: read the file, work it out, store the whole of it at once. Never a part of a result."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from django.db import transaction

from linelog.alignment.captures.setting import capture_setup
from linelog.alignment.models import Capture, CaptureValue
from linelog.calc.capture.carry import carried
from linelog.calc.capture.results import CaptureResult, PhaseResult, SureBy
from linelog.calc.errors import CalcError
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Station
from linelog.web import jobs, sandbox

Tell = Callable[..., None]
STEPS = 1000
CAPTURES = sandbox.Bounds("captures", memory_bytes=1_500_000_000, cpu_s=600.0, wall_s=1800.0)
ROUNDED_TO = 4
REFERENCE = ""


def work_out(capture: Capture, tell: Tell, still_mine: Callable[[], bool] = lambda: True) -> str:
    """Work a capture out and store what it gave; return that in a sentence.

    `still_mine` is asked inside the last transaction: a worker whose job was taken from it stores nothing.
    """
    kept = capture.worked_with
    try:
        result = sandbox.call(
            "linelog.calc.capture.apart:analyse_path",
            CAPTURES,
            path=capture.file.path,
            setup=capture_setup(kept),
            name=capture.name,
            tell=lambda share: tell(round(STEPS * share)),
        )
        values = list(station_values(capture, result))
    except CalcError as error:
        return _refuse(capture, error.message, error.field or "", still_mine)
    except (sandbox.Overrun, sandbox.Broken) as ended:
        return _refuse(capture, ended.sentence, "file", still_mine)
    _store(capture, outcome(result), values, still_mine)
    return f"{result.strokes.used} strokes worked out, {len(result.cautions)} warnings."


def _refuse(capture: Capture, sentence: str, field: str, still_mine: Callable[[], bool]) -> str:
    gave: dict[str, Any] = {"state": Capture.State.REFUSED, "sentence": sentence[:500], "refused_field": field}
    _store(capture, gave, [], still_mine)
    return sentence


def outcome(result: CaptureResult) -> dict[str, Any]:
    """Return the columns of a capture that gave a result."""
    return {
        "state": Capture.State.DONE,
        "result": rounded(result.as_dict()),
        "algorithm": result.version,
        "warnings": len(result.cautions),
    }


def _store(
    capture: Capture, gave: dict[str, Any], values: list[CaptureValue], still_mine: Callable[[], bool]
) -> None:
    """Store the outcome, all or nothing, unless somebody cancelled or took the work over."""
    with transaction.atomic():
        rows = Capture.objects.filter(pk=capture.pk, state=Capture.State.WORKING, job=capture.job)
        if not still_mine() or not rows.update(**gave):
            raise jobs.Stopped
        CaptureValue.objects.bulk_create(values)


def station_values(capture: Capture, result: CaptureResult) -> Iterator[CaptureValue]:
    """Yield the running offset of the station that carries the ring: of its middle and its seats, by phase.

    There is none where nothing tells how sure it would be.
    """
    if result.sure.by is SureBy.NOTHING:
        return
    station = Station.objects.get(pk=capture.worked_with["station"])
    seats = dict.fromkeys((REFERENCE, *station.seats))
    phases = {"forward": result.forward, "dome": result.dome, "return": result.back}
    sloped = result.forward or result.back
    for name, phase in phases.items():
        if phase is None:
            continue
        for seat in seats:
            z_mm = station.seat_z_mm(seat) if seat else reference_z_mm(station)
            away = z_mm - capture.worked_with["z_mm"]
            along = phase if phase.slope_x else sloped
            if away == 0.0 or along is not None:
                yield _value(capture, station, seat, name, phase, along, away, result.strokes.odd)


def _value(
    capture: Capture,
    station: Station,
    seat: str,
    name: str,
    phase: PhaseResult,
    along: PhaseResult | None,
    away_mm: float,
    odd: int,
) -> CaptureValue:
    at = carried(phase.offset, along.slope_x if along else None, along.slope_y if along else None, away_mm)
    slope_x, slope_y = phase.slope_x, phase.slope_y
    return CaptureValue(
        capture=capture,
        station=station,
        seat=seat,
        phase=name,
        away_mm=away_mm,
        x_um=at.x,
        y_um=at.y,
        radial_um=at.size,
        u_x_um=at.across.u,
        u_y_um=at.up.u,
        expanded_um=at.radial.U,
        slope_x_mm_per_m=slope_x.value if slope_x else None,
        slope_y_mm_per_m=slope_y.value if slope_y else None,
        slope_u_x_mm_per_m=slope_x.u if slope_x else None,
        slope_u_y_mm_per_m=slope_y.u if slope_y else None,
        spread_um=phase.spread_um,
        strokes=phase.strokes,
        n_eff=min(phase.ram_x.n_eff, phase.ram_y.n_eff),
        odd=odd,
    )


def rounded(value: Any) -> Any:
    """Round every number of a plain result to a tenth of a nanometre: a third of the size, and nothing lost."""
    if isinstance(value, dict):
        return {key: rounded(each) for key, each in value.items()}
    if isinstance(value, list):
        return [rounded(each) for each in value]
    return round(value, ROUNDED_TO) if isinstance(value, float) else value
