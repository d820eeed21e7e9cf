"""What a capture's page says, from its stored result: figures in rows, warnings and what more strokes would buy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from linelog.alignment.captures.figures import PHASES
from linelog.alignment.models import Capture, CaptureValue
from linelog.calc import frame
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.web import units


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """One phase in numbers, as text in the reader's unit; slopes in mm/m."""

    name: str
    across: str
    up: str
    slope_across: str
    slope_up: str
    spread: str
    drift_across: str
    drift_up: str
    strokes: int
    n_eff: str
    filled: str


@dataclass(frozen=True, slots=True)
class ValueRow:
    """The station's running offset in one phase at one place, as text in the reader's unit."""

    phase: str
    place: str
    away_mm: float
    across: str
    up: str
    size: str
    way: str


@dataclass(frozen=True, slots=True)
class Fact:
    """A line of the facts of a capture."""

    name: str
    words: str


def fine(value_um: float, unit: Unit, *, signed: bool = False) -> str:
    """Write a length with one more decimal than a dial has: a mean of many strokes is known so well."""
    number = f"{value_um / unit.um:{'+' if signed else ''}.{unit.decimals + 1}f}"
    return number.replace("-", units.MINUS)


def value_rows(values: Iterable[CaptureValue], unit: Unit) -> list[ValueRow]:
    """Return the running offsets of the station that carries the ring."""
    return [
        ValueRow(
            phase=value.get_phase_display(),
            place=value.get_seat_display() if value.seat else "Middle",
            away_mm=value.away_mm,
            across=fine(frame.turn(value.x_um, value.y_um, View(value.station.view))[0], unit, signed=True),
            up=fine(value.y_um, unit, signed=True),
            size=f"{fine(value.radial_um, unit)} ± {fine(value.expanded_um, unit)}",
            way=clock_of(value),
        )
        for value in values
    ]


def phase_rows(result: dict[str, Any], unit: Unit) -> list[PhaseRow]:
    """Return the phases that the ring saw: where the RAM ran, in the ring."""
    sure = is_sure(result)

    def place(mean: dict[str, Any], u: float) -> str:
        return fine(mean["value"], unit, signed=True) + (f" ± {fine(u, unit)}" if sure else "")

    def slope(mean: dict[str, Any] | None) -> str:
        if mean is None:
            return "–"
        return _signed(mean["value"], 3) + (f" ± {mean['half_width']:.3f}" if sure else "")

    def drift(found: dict[str, Any]) -> str:
        if not sure:
            return "–"
        return f"{fine(found['slope'], unit, signed=True)} ± {fine(found['half_width'], unit)}"

    rows = []
    for key, name, _ in PHASES:
        phase = result[key]
        if phase is None:
            continue
        x, y, offset = phase["ram_x"], phase["ram_y"], phase["offset"]
        rows.append(
            PhaseRow(
                name=name,
                across=place(x, offset["across"]["U"]),
                up=place(y, offset["up"]["U"]),
                slope_across=slope(phase["slope_x"]),
                slope_up=slope(phase["slope_y"]),
                spread=fine(phase["spread_um"], unit),
                drift_across=drift(phase["drift_x"]),
                drift_up=drift(phase["drift_y"]),
                strokes=phase["strokes"],
                n_eff=f"{min(x['n_eff'], y['n_eff']):.0f}" if sure else "–",
                filled=f"{phase['filled_percent']:.1f}",
            )
        )
    return rows


def is_sure(result: dict[str, Any]) -> bool:
    """Say whether the result can tell how sure its offsets are; older ones always claimed to."""
    return "sure" not in result or bool(result["sure"]["by"])


def more_words(result: dict[str, Any], unit: Unit) -> list[str]:
    """Say what more strokes would buy."""
    more = result["more_strokes"]
    now = more["now"]
    if not is_sure(result):
        sure = result["sure"]
        return [
            f"{now['strokes']} strokes give no ±, since nothing tells how alike neighbouring strokes are.",
            f"{sure['fewest_alone']} strokes give one. One capture of {sure['long_enough']} strokes or more teaches "
            "it for this station: then shorter captures have their ± too.",
        ]

    def half(one: dict[str, Any]) -> str:
        return f"{fine(one['half_width_um'], unit)} {units.label(unit)}"

    words = [
        f"{now['strokes']} strokes know the offset to ± {half(now)} on the axis and phase known worst "
        f"({more['phase']}).",
        "More strokes at the same speed: "
        + "; ".join(f"{one['strokes']} would give ± {half(one)}" for one in more["later"])
        + ".",
    ]
    wanted = f"{fine(more['wanted_um'], unit)} {units.label(unit)}"
    if more["wanted_strokes"] is None:
        words.append(
            f"No number of strokes reaches the ± {wanted} wanted: the zeros of the probes are not known so well, or "
            "the file is rounded too coarsely."
        )
    elif more["wanted_strokes"] <= now["strokes"]:
        words.append(f"The ± {wanted} wanted is reached.")
    else:
        words.append(f"The ± {wanted} wanted takes about {more['wanted_strokes']:,} strokes.")
    return words


def stroke_facts(result: dict[str, Any], unit: Unit) -> list[Fact]:
    """Return what became of the strokes, and what was read."""
    strokes, file = result["strokes"], result["file"]
    seconds = file["end_s"] - file["start_s"]
    return [
        Fact("Strokes", f"{strokes['used']} used of {strokes['found']} found by {strokes['found_by']}; "
                        f"{strokes['odd']} odd and {strokes['off_speed']} off speed set aside"),
        Fact("Speed", f"{strokes['speed_per_min']:.1f} strokes/min, scatter {strokes['speed_sd_percent']:.2f} %, "
                      f"range {strokes['speed_range_percent']:.1f} %"),
        Fact("Samples", f"{file['samples']:,} in {seconds / 60.0:.1f} min, {file['rate_hz']:,.0f} a second "
                        f"({file['kind'].upper()})"),
        Fact("Probes contradict one another", "not to be told: no spare probe" if result["disagreement_um"] is None
             else f"by {fine(result['disagreement_um'], unit)} {units.label(unit)}"),
    ]  # fmt: skip


def numbers(capture: Capture, unit: Unit) -> Iterator[list[str]]:
    """Yield the mean paths as a table, its heading first: ram position, place, band, standard error, bin by bin."""
    label, result = units.label(unit), capture.result or {}
    columns = (
        "x_um",
        "y_um",
        "x_low_um",
        "x_high_um",
        "y_low_um",
        "y_high_um",
        "x_sd_um",
        "y_sd_um",
        "x_u_um",
        "y_u_um",
    )
    said = (
        *("ram across", "ram up"),
        *("across, 5 % of strokes below", "across, 5 % above", "up, 5 % of strokes below", "up, 5 % above"),
        *("scatter across", "scatter up", "standard error across", "standard error up"),
    )
    yield ["phase", "ram position mm", "crank angle deg", *(f"{name} {label}" for name in said)]
    for key, name, _ in PHASES:
        path = (result.get(key) or {}).get("path")
        if path is None:
            continue
        for index, position in enumerate(path["position_mm"]):
            cells = [f"{path[column][index] / unit.um:.{unit.decimals + 1}f}" for column in columns]
            yield [name.lower(), f"{position:.2f}", f"{path['angle_deg'][index]:.2f}", *cells]


def clock_of(value: CaptureValue) -> str:
    """Name the clock direction of an offset, its view with it; nothing where it is within its own uncertainty."""
    if value.radial_um <= value.expanded_um:
        return ""
    return frame.direction_words(value.x_um, value.y_um, View(value.station.view))


def _signed(value: float, decimals: int) -> str:
    return f"{value:+.{decimals}f}".replace("-", units.MINUS)
