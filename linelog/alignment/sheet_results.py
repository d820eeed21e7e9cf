"""The values on the sheet of a visit: a line each, as signed and as amended, with how its seat stands by it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from linelog.alignment.judging import is_judged
from linelog.alignment.models import Result, Stage, Sweep
from linelog.alignment.models.sweep import Method
from linelog.alignment.results.of_visit import BothStatuses
from linelog.alignment.results.status import StationStatus
from linelog.alignment.standing import Value
from linelog.calc.frame import direction_words, turn, view_words
from linelog.calc.readings import View
from linelog.calc.station_state import State
from linelog.calc.units import SlopeUnit, Unit
from linelog.plant.models import Station
from linelog.web import units

SEATS = {"": "", "front": "front seat", "rear": "rear seat"}
AS_AMENDED, FIRST = "as amended", "first, before the amendment"

Amended = dict[tuple[int, str, str, str], Value | None]  # by station, stage, seat and method; None: set aside


@dataclass(frozen=True)
class Teller:
    """What every line of the sheet is told with: the reader's units and the plant's clock."""

    unit: Unit
    zone: dt.tzinfo
    slopes: SlopeUnit
    fahrenheit: bool

    def when(self, at: dt.datetime | None) -> str:
        """Return a moment by the plant's clock; nothing where there was none."""
        return "" if at is None else at.astimezone(self.zone).strftime("%Y-%m-%d %H:%M")

    def slope(self, value: float) -> str:
        """Return a slope given in mm/m."""
        return units.show_slope(value, self.slopes)

    def um(self, value: float | None, *, signed: bool = False, named: bool = False) -> str:
        """Return a length given in um, with its unit where it is `named`."""
        return units.show_um(value, self.unit, signed=signed, with_unit=named)


def result_lines(
    station: Station,
    results: list[Result],
    sweeps: list[Sweep],
    stand: BothStatuses,
    amended: Amended,
    tell: Teller,
) -> list[dict[str, str]]:
    """Return a line a value, as found before as left; an amended one has its first beside it."""
    views = {(one.stage, one.seat): View(one.view) for one in sweeps if one.kind == Sweep.Kind.RIM}
    found = {stage: seat_view for (stage, _), seat_view in views.items()}
    stages = list(Stage.values)
    lines = []
    for result in sorted(results, key=lambda one: (one.method == Method.RUNNING, stages.index(one.stage), one.seat)):
        view = views.get((result.stage, result.seat)) or found.get(Stage.AS_FOUND) or View(station.view)
        key = (result.station_id, result.stage)
        first = _line(result, result, stand.signed.get(key), view, tell)
        if getattr(result, "is_overtaken", False):
            first |= {"verdict": "holds no more", "remark": "measured before the last move"}
        place = (*key, result.seat, result.method)
        now = amended.get(place)
        if now is None and place in amended:
            first["remark"] = "left out of trends by an amendment"
        elif now and now.amended:
            lines.append({**_line(result, now, stand.amended.get(key), view, tell), "remark": AS_AMENDED})
            first["remark"] = FIRST
        lines.append(first)
    return lines


def _verdict(result: Result, shown: Result | Value, status: StationStatus | None) -> str:
    """Say how the seat stands by this value, as every page says it; a running value is its own verdict."""
    if result.method == Method.RUNNING:
        return shown.verdict
    if status is None or not is_judged(result):
        return State.NOT_JUDGED.value
    return status.at_seat(result.seat).state.value


def _line(
    result: Result, shown: Result | Value, status: StationStatus | None, view: View, tell: Teller
) -> dict[str, str]:
    x, y = turn(shown.x_um, shown.y_um, view)
    tilt = ""
    if shown.tilt_x_mm_per_m is not None and shown.tilt_y_mm_per_m is not None:
        size = (shown.tilt_x_mm_per_m**2 + shown.tilt_y_mm_per_m**2) ** 0.5
        limit = "" if shown.tilt_limit_mm_per_m is None else f", limit {tell.slope(shown.tilt_limit_mm_per_m)}"
        tilt = f"{tell.slope(size)} ± {tell.slope(shown.tilt_expanded_mm_per_m or 0.0)} {tell.slopes.label}{limit}"
    what = [result.get_stage_display(), SEATS[result.seat], "running" if result.method == Method.RUNNING else ""]
    return {
        "what": ", ".join(word for word in what if word),
        "across": tell.um(x, signed=True),
        "up": tell.um(y, signed=True),
        "offset": f"{tell.um(shown.radial_um)} ± {tell.um(shown.expanded_um)}",
        "direction": direction_words(shown.x_um, shown.y_um, view)
        if shown.radial_um
        else f"on it, {view_words(view)}",
        "tilt": tilt,
        "running": "; ".join(_running(status, result, tell)),
        "verdict": _verdict(result, shown, status),
        "remark": "not touched: as found" if result.carried else _unswept(result, status),
    }


def _unswept(result: Result, status: StationStatus | None) -> str:
    """Say what is still to be swept of a static value's station."""
    if result.method != Method.STATIC or status is None or not status.unswept:
        return ""
    return status.unswept[0].sentence


def _running(status: StationStatus | None, result: Result, tell: Teller) -> Iterator[str]:
    """Yield what a static value is when running: as it was measured, where that holds, then as expected."""
    if status is None or result.method != Method.STATIC:
        return
    if status.ran is not None:
        yield f"running {tell.um(status.ran.radial_um)} ± {tell.um(status.ran.expanded_um)} measured"
    runs = status.expected_at(result.seat)
    if runs is not None:
        yield f"running {tell.um(runs.radial_um)} ± {tell.um(runs.expanded_um)} expected"
